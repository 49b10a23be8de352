// The bodies of a piece, turned and drawn apart. Draws only when something changed.
(() => {
  "use strict";
  const canvas = document.getElementById("view");
  if (!canvas) return;
  const state = document.documentElement.dataset;
  const model = JSON.parse(document.getElementById("view-model").textContent);
  const CREASE = Math.cos((35 * Math.PI) / 180);
  const REST = [206, 206, 202];

  const bytes = (text) => Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));

  function renderer() {
    try {
      const made = new THREE.WebGLRenderer({ canvas, antialias: true, preserveDrawingBuffer: true });
      made.outputColorSpace = "srgb-linear"; // colours are shown as they are given
      made.setClearColor(0xffffff, 1);
      return made;
    } catch (refusal) {
      return null;
    }
  }

  // Each corner's normal: the mean of the faces round it that meet at less than the crease.
  function cornerNormals(places, corners) {
    const count = corners.length / 3;
    const normals = new Float32Array(count * 3);
    const first = new Uint32Array(places.length / 3 + 1);
    for (let f = 0; f < count; f++) {
      const [a, b, c] = [corners[3 * f] * 3, corners[3 * f + 1] * 3, corners[3 * f + 2] * 3];
      const ux = places[b] - places[a], uy = places[b + 1] - places[a + 1], uz = places[b + 2] - places[a + 2];
      const vx = places[c] - places[a], vy = places[c + 1] - places[a + 1], vz = places[c + 2] - places[a + 2];
      normals[3 * f] = uy * vz - uz * vy;
      normals[3 * f + 1] = uz * vx - ux * vz;
      normals[3 * f + 2] = ux * vy - uy * vx;
      for (const corner of [a, b, c]) first[corner / 3 + 1]++;
    }
    for (let k = 1; k < first.length; k++) first[k] += first[k - 1];
    const next = first.slice();
    const round = new Uint32Array(corners.length);
    for (let k = 0; k < corners.length; k++) round[next[corners[k]]++] = Math.floor(k / 3);
    const size = new Float32Array(count);
    for (let f = 0; f < count; f++) size[f] = Math.hypot(normals[3 * f], normals[3 * f + 1], normals[3 * f + 2]) || 1;
    const out = new Float32Array(corners.length * 3);
    for (let k = 0; k < corners.length; k++) {
      const f = Math.floor(k / 3);
      let x = 0, y = 0, z = 0;
      for (let r = first[corners[k]]; r < first[corners[k] + 1]; r++) {
        const g = round[r];
        const dot = normals[3 * f] * normals[3 * g] + normals[3 * f + 1] * normals[3 * g + 1] + normals[3 * f + 2] * normals[3 * g + 2];
        if (dot >= CREASE * size[f] * size[g]) {
          x += normals[3 * g];
          y += normals[3 * g + 1];
          z += normals[3 * g + 2];
        }
      }
      const length = Math.hypot(x, y, z) || 1;
      out.set([x / length, y / length, z / length], 3 * k);
    }
    return out;
  }

  function mesh(body) {
    const whole = new Uint16Array(bytes(body.places).buffer);
    const places = new Float32Array(whole.length);
    for (let k = 0; k < whole.length; k++) places[k] = model.low[k % 3] + whole[k] * model.step;
    const raw = bytes(body.corners).buffer;
    const corners = body.wide ? new Uint32Array(raw) : new Uint16Array(raw);
    const spread = new Float32Array(corners.length * 3);
    for (let k = 0; k < corners.length; k++) {
      spread.set(places.subarray(3 * corners[k], 3 * corners[k] + 3), 3 * k);
    }
    const geometry = new THREE.BufferGeometry();
    geometry.setAttribute("position", new THREE.BufferAttribute(spread, 3));
    geometry.setAttribute("normal", new THREE.BufferAttribute(cornerNormals(places, corners), 3));
    geometry.setAttribute("color", new THREE.BufferAttribute(new Uint8Array(corners.length * 3), 3, true));
    geometry.computeBoundingBox();
    const material = new THREE.MeshLambertMaterial({ vertexColors: true, side: THREE.DoubleSide });
    const made = new THREE.Mesh(geometry, material);
    made.visible = body.shown;
    return made;
  }

  const drawn = renderer();
  if (!drawn) {
    state.view = "no WebGL";
    document.getElementById("view-box").hidden = true;
    document.getElementById("view-missing").hidden = false;
    return;
  }
  const scene = new THREE.Scene();
  const meshes = model.bodies.map(mesh);
  scene.add(...meshes);

  const up = new THREE.Vector3(...model.up).normalize();
  const facing = new THREE.Vector3(...model.facing);
  facing.addScaledVector(up, -facing.dot(up));
  if (facing.length() < 0.2) facing.set(up.z, up.x, up.y).addScaledVector(up, -up.dot(new THREE.Vector3(up.z, up.x, up.y)));
  facing.normalize();
  const aside = new THREE.Vector3().crossVectors(up, facing);

  const camera = new THREE.OrthographicCamera(-1, 1, 1, -1, 0.1, 10);
  camera.up.copy(up);
  scene.add(camera);
  scene.add(new THREE.AmbientLight(0xffffff, 0.5 * Math.PI));
  for (const [strength, x, y, z] of [[0.42, -0.45, 0.55, 0.7], [0.18, 0.3, -0.1, 1]]) {
    const light = new THREE.DirectionalLight(0xffffff, strength * Math.PI);
    light.position.set(x, y, z);
    camera.add(light, light.target);
  }
  const controls = new THREE.OrbitControls(camera, canvas);
  controls.enableDamping = false;
  controls.zoomToCursor = true;

  let radius = 1;
  let waiting = false;
  function draw() {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => {
      waiting = false;
      drawn.render(scene, camera);
    });
  }
  controls.addEventListener("change", draw);

  function fit(direction) {
    const toward = (direction || camera.position.clone().sub(controls.target)).clone().normalize();
    const [low, high] = [new THREE.Vector3(1, 1, 1).multiplyScalar(Infinity), new THREE.Vector3(1, 1, 1).multiplyScalar(-Infinity)];
    meshes.forEach((one) => {
      if (!one.visible) return;
      low.min(one.geometry.boundingBox.min.clone().add(one.position));
      high.max(one.geometry.boundingBox.max.clone().add(one.position));
    });
    if (!(low.x < Infinity)) return;
    controls.target.copy(low).add(high).multiplyScalar(0.5);
    const across = new THREE.Vector3().crossVectors(up, toward);
    if (across.length() < 1e-3) across.copy(aside);
    across.normalize();
    const rise = new THREE.Vector3().crossVectors(toward, across);
    const reach = (axis) => {
      let most = 0;
      for (let k = 0; k < 8; k++) {
        const corner = new THREE.Vector3(k & 1 ? low.x : high.x, k & 2 ? low.y : high.y, k & 4 ? low.z : high.z);
        most = Math.max(most, Math.abs(corner.sub(controls.target).dot(axis)));
      }
      return most;
    };
    radius = high.distanceTo(low);
    const aspect = canvas.clientWidth / canvas.clientHeight;
    const half = Math.max(reach(rise), reach(across) / aspect) * 1.08;
    Object.assign(camera, { left: -half * aspect, right: half * aspect, top: half, bottom: -half, near: 0.01 * radius, far: 6 * radius, zoom: 1 });
    camera.position.copy(controls.target).addScaledVector(toward, 3 * radius);
    camera.updateProjectionMatrix();
    controls.update();
    draw();
  }

  function size() {
    const [width, height] = [canvas.clientWidth, canvas.clientHeight];
    drawn.setPixelRatio(Math.min(window.devicePixelRatio || 1, 2));
    drawn.setSize(width, height, false);
    const half = (camera.right - camera.left) / 2;
    const tall = (camera.top - camera.bottom) / 2;
    if (half > 0) {
      Object.assign(camera, { left: (-tall * width) / height, right: (tall * width) / height });
      camera.updateProjectionMatrix();
    }
    draw();
  }

  function paint(key) {
    const scale = model.maps.find((one) => one.key === key);
    const table = scale && bytes(scale.colours);
    model.bodies.forEach((body, k) => {
      const target = meshes[k].geometry.getAttribute("color");
      const values = scale && body.maps[key] && bytes(body.maps[key]);
      const flat = scale ? REST : body.colour;
      for (let f = 0; f < target.count / 3; f++) {
        const level = values ? values[f] : 255;
        for (let c = 0; c < 9; c++) target.array[9 * f + c] = level < 255 ? table[3 * level + (c % 3)] : flat[c % 3];
      }
      target.needsUpdate = true;
    });
    const legend = document.getElementById("view-scale");
    legend.style.display = scale ? "flex" : "none";
    if (scale) {
      const bar = legend.querySelector("canvas");
      const pen = bar.getContext("2d");
      for (let x = 0; x < 255; x++) {
        pen.fillStyle = `rgb(${table[3 * x]},${table[3 * x + 1]},${table[3 * x + 2]})`;
        pen.fillRect(x, 0, 1, 1);
      }
      const told = (value) => `${String(value).replace("-", "\u2212")}${scale.unit === "°" ? "" : " "}${scale.unit}`;
      legend.querySelector(".low").textContent = told(scale.low);
      legend.querySelector(".high").textContent = told(scale.high);
      legend.querySelector(".of").textContent = scale.title;
    }
    draw();
  }

  const pressed = (button, on) => button.setAttribute("aria-pressed", String(on));
  document.querySelectorAll("[data-body]").forEach((button) => {
    button.addEventListener("click", () => {
      const one = meshes[Number(button.dataset.body)];
      one.visible = !one.visible;
      pressed(button, one.visible);
      draw();
    });
  });
  document.querySelectorAll("[data-map]").forEach((button) => {
    button.addEventListener("click", () => {
      document.querySelectorAll("[data-map]").forEach((other) => pressed(other, other === button));
      paint(button.dataset.map);
    });
  });
  document.querySelectorAll("[data-side]").forEach((button) => {
    button.addEventListener("click", () => {
      const parts = button.dataset.side.split(",").map(Number);
      fit(facing.clone().multiplyScalar(parts[0]).addScaledVector(aside, parts[1]).addScaledVector(up, parts[2]));
    });
  });
  const slider = document.getElementById("view-apart");
  function spread() {
    meshes.forEach((one, k) => one.position.set(...model.bodies[k].apart.map((step) => step * slider.value)));
    fit();
  }
  if (slider) slider.addEventListener("input", spread);

  function start() {
    size();
    paint("");
    camera.position.copy(facing.clone().multiplyScalar(0.8).addScaledVector(aside, 0.6).addScaledVector(up, 0.55));
    if (slider) spread();
    else fit();
    drawn.render(scene, camera);
    const gl = drawn.getContext();
    const [width, height] = [gl.drawingBufferWidth, gl.drawingBufferHeight];
    const pixels = new Uint8Array(4 * width * height);
    gl.readPixels(0, 0, width, height, gl.RGBA, gl.UNSIGNED_BYTE, pixels);
    let inked = 0;
    for (let k = 0; k < pixels.length; k += 4) if (pixels[k] + pixels[k + 1] + pixels[k + 2] < 740) inked++;
    state.viewInked = (inked / (width * height)).toFixed(4);
    state.view = inked ? "drawn" : "empty";
  }
  start();
  window.addEventListener("resize", size);
})();
