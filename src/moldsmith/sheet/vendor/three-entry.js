// What the 3-D view uses of three.js; see README.md.
export {
  AmbientLight, BufferAttribute, BufferGeometry, Color, DirectionalLight, DoubleSide,
  Group, Mesh, MeshLambertMaterial, OrthographicCamera, Scene, Vector3, WebGLRenderer,
} from "three";
export { OrbitControls } from "three/examples/jsm/controls/OrbitControls.js";
