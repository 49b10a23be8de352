"""What follows what, with hours, from the print to the trimmed piece."""

from __future__ import annotations

from typing import Any

from ..errors import BadParameter
from ..stage import stage
from ..supplies.materials import Material
from ..workpiece import Finding, Workpiece

__all__ = ["timeline"]

_OPEN_S = 60.0  # to close and clamp before a foam is up: from memory
_TIGHT_SHARE = 0.8


@stage
def timeline(
    piece: Workpiece,
    *,
    material: Material,
    printers: int = 1,
    change_h: float = 0.25,
    trim_h: float = 0.5,
    cool_h: float = 0.5,
) -> Workpiece:
    """Say what follows what with hours, and what must be at hand when the clock starts.

    Parameters
    ----------
    material : what is cast: its pot life, rise and time to demold
    printers : that print at the same time, 1 to 100
    change_h : to clear a printer and start its next plate, 0 to 24
    trim_h : to trim the casting, 0 to 24
    cool_h : from the end of the last print until it is worked on, 0 to 48

    Print hours are those of `estimate`, seal and release those of `coat`, batches those of
    `mix`, if these stages ran; what is not known is left out and said. Hours count from the
    start of the first print, day and night. The clock starts with mixing: from then on
    nothing waits. Each step tells how much of it is by hand (`hand_h`); a coat is laid on by hand
    and dries by itself. The sum, `hands_on_h`, has the changes of plates too.

    Findings: 'print-unknown', 'seal-unknown', 'mix-unknown', 'hands-tight', 'long-wait'.

    Raises
    ------
    BadParameter : a value out of range
    """
    _check(printers, change_h, trim_h, cool_h)
    steps: list[dict[str, Any]] = []
    findings: list[Finding] = []
    changes_h = _print_steps(piece, steps, findings, printers, change_h, cool_h)
    _seal_steps(piece, steps, findings)
    clock = _end(steps)
    pours, pour_s = _pours(piece, findings)
    _cast_steps(steps, material, pours, pour_s)
    _add(steps, "demold", 0.25, hands_on=True)
    _add(steps, "trim", trim_h, hands_on=True)
    findings += _tight(material, pours, pour_s)
    figures: dict[str, Any] = {
        "steps": steps,
        "total_h": round(_end(steps), 3),
        "plate_changes_h": round(changes_h, 3),
        "hands_on_h": round(changes_h + sum(step["hand_h"] for step in steps), 3),
        "clock_starts": (
            f"Stirring starts the clock: {_said(material.pot_life_s)} later it must be in the mold"
        ),
        "clock_starts_h": round(clock, 3),
        "at_hand": _at_hand(piece, material, pours),
    }
    return piece.note(figures, findings)


def _check(printers: int, change_h: float, trim_h: float, cool_h: float) -> None:
    if not 1 <= printers <= 100:
        raise BadParameter(f"printers = {printers}", "Choose 1 to 100")
    ranges = (("change_h", change_h, 24), ("trim_h", trim_h, 24), ("cool_h", cool_h, 48))
    for key, value, most in ranges:
        if not 0 <= value <= most:
            raise BadParameter(f"{key} = {value:g}", f"Choose 0 to {most}")


def _add(
    steps: list[dict[str, Any]],
    what: str,
    hours: float,
    *,
    hands_on: bool,
    hand_h: float | None = None,
) -> None:
    """One more step, after all before it; hand_h : how much of it is by hand, if not all."""
    if hours > 0:
        steps.append(_step(what, _end(steps), hours, hands_on, hand_h))


def _step(
    what: str, starts_h: float, hours: float, hands_on: bool, hand_h: float | None = None
) -> dict[str, Any]:
    by_hand = hours if hand_h is None else min(hand_h, hours)
    return {
        "what": what,
        "starts_h": round(starts_h, 4),
        "hours": round(hours, 4),
        "hands_on": hands_on,
        "hand_h": round(by_hand, 4) if hands_on else 0.0,
    }


def _end(steps: list[dict[str, Any]]) -> float:
    return max((step["starts_h"] + step["hours"] for step in steps), default=0.0)


def _figures(piece: Workpiece, stage_name: str) -> dict[str, Any] | None:
    found = piece.newest(stage_name)
    return None if found is None else dict(found["figures"])


def _print_steps(
    piece: Workpiece,
    steps: list[dict[str, Any]],
    findings: list[Finding],
    printers: int,
    change_h: float,
    cool_h: float,
) -> float:
    """The plates, longest first, each on the printer that is free first; hours of changes."""
    told = _figures(piece, "estimate")
    if told is None:
        findings.append(
            Finding(
                "print-unknown",
                "note",
                "print hours are left out: run estimate before timeline to have them",
            )
        )
        return 0.0
    plates = told.get("plates") or [{"number": 1, "seconds": told["seconds"]}]
    free = [0.0] * printers
    for plate in sorted(plates, key=lambda row: (-row["seconds"], row["number"])):
        printer = free.index(min(free))
        hours = plate["seconds"] / 3600
        name = f"print plate {plate['number']}" + (
            f", printer {printer + 1}" if printers > 1 else ""
        )
        steps.append(_step(name, free[printer], hours, hands_on=False))
        free[printer] += hours + change_h
    steps.sort(key=lambda step: (step["starts_h"], step["what"]))
    _add(steps, "cool, take off, clean", cool_h, hands_on=True)
    return change_h * max(len(plates) - printers, 0)


def _seal_steps(piece: Workpiece, steps: list[dict[str, Any]], findings: list[Finding]) -> None:
    told = _figures(piece, "coat")
    if told is None:
        findings.append(
            Finding(
                "seal-unknown",
                "note",
                "sealing and release are left out: run coat before timeline to have them",
            )
        )
        return
    for step in told["steps"]:
        by_hand = float(step.get("hand_h", 0.0))
        _add(steps, step["what"], step["hours"], hands_on=by_hand > 0, hand_h=by_hand)


def _pours(piece: Workpiece, findings: list[Finding]) -> tuple[int, float]:
    """How many batches there are, and how long each takes to pour, s."""
    told = _figures(piece, "mix")
    if told is None:
        findings.append(
            Finding(
                "mix-unknown",
                "note",
                "one batch poured in no time is reckoned with: run mix before timeline",
            )
        )
        return 1, 0.0
    return int(told["pours"]), float(told["pour_s"]) / int(told["pours"])


def _cast_steps(steps: list[dict[str, Any]], material: Material, pours: int, pour_s: float) -> None:
    _add(steps, "assemble, weigh in, lay everything ready", 0.5, hands_on=True)
    for batch in range(1, pours + 1):
        of = f" {batch} of {pours}" if pours > 1 else ""
        _add(steps, f"mix{of}", material.mixing_s / 3600, hands_on=True)
        _add(steps, f"pour{of}", pour_s / 3600, hands_on=True)
    rested = material.mixing_s + pour_s
    if material.rise_s is not None:
        rest = max(material.rise_s - rested, 0.0)
        _add(steps, "rise: watch the vents, plug them in order", rest / 3600, hands_on=True)
        _add(
            steps, "cure", (material.demold_s - max(material.rise_s, rested)) / 3600, hands_on=False
        )
    else:
        _add(steps, "cure", material.demold_s / 3600, hands_on=False)


def _tight(material: Material, pours: int, pour_s: float) -> list[Finding]:
    findings = []
    spent = material.mixing_s + pour_s
    if spent > _TIGHT_SHARE * material.pot_life_s:
        findings.append(
            Finding(
                "hands-tight",
                "warning",
                f"stirring and pouring take {spent:.0f} s of a pot life of "
                f"{material.pot_life_s:.0f} s: rehearse it dry with a second pair of hands, cool "
                "the parts if the data sheet allows, or split the batch",
            )
        )
    if material.rise_s is not None and material.rise_s - spent < _OPEN_S:
        findings.append(
            Finding(
                "hands-tight",
                "warning",
                f"{max(material.rise_s - spent, 0):.0f} s are left to close and clamp before the "
                "foam is up: pour into the closed mold, clamps on",
            )
        )
    if material.demold_s > 12 * 3600:
        findings.append(
            Finding(
                "long-wait",
                "note",
                f"it cures for {material.demold_s / 3600:.0f} h: pour in the evening, and keep the "
                "room as warm as the data sheet asks",
            )
        )
    return findings


def _at_hand(piece: Workpiece, material: Material, pours: int) -> list[dict[str, str]]:
    """What lies ready before stirring begins."""
    mix, clamp = _figures(piece, "mix"), _figures(piece, "clamp")
    ready = [
        {"what": "the mold, sealed, waxed and assembled", "note": "vents clear, standing level"},
        {"what": "scale and timer", "note": _timer(material)},
    ]
    fill = _figures(piece, "fill")
    if fill is not None and fill["tilt_deg"] > 0.5:
        ready[0]["note"] = f"vents clear, propped up by {fill['tilt_deg']:.0f}°"
    if mix is not None:
        for row in mix["parts"]:
            each = f"{row['grams']:g} g" + (f", {pours} times" if pours > 1 else "")
            ready.append({"what": row["name"], "note": f"{each}, weighed in a cup of its own"})
        ready.append(
            {"what": "stirring vessel and sticks", "note": f"{mix['vessel_ml']:.0f} ml or more"}
        )
    if clamp is not None and clamp.get("means"):
        means = ", or ".join(row["short"] for row in clamp["means"])
        ready.append({"what": "what holds it shut", "note": means})
    vents = len(fill["vents"]) if fill is not None else 0
    if vents:
        ready.append({"what": "plugs of clay for the vents", "note": f"{vents}, and some more"})
    ready.append({"what": "rags, a tray under the mold, a bag for waste", "note": ""})
    ready += _protection(material)
    return ready


def _said(seconds: float) -> str:
    """As a timer is set: in minutes from ten of them on."""
    return f"{seconds / 60:.0f} min" if seconds >= 600 else f"{seconds:.0f} s"


def _timer(material: Material) -> str:
    told = [f"pot life {_said(material.pot_life_s)}"]
    told += [
        f"{name} {_said(value)}"
        for name, value in (("cream", material.cream_s), ("rise", material.rise_s))
        if value is not None
    ]
    return ", ".join(told)


def _protection(material: Material) -> list[dict[str, str]]:
    ready = [
        {"what": "gloves, goggles, long sleeves", "note": "as the safety data sheet names them"}
    ]
    if "isocyanate" in material.hazards:
        ready.append(
            {
                "what": "extraction or open air, and the respirator of your programme",
                "note": "isocyanate: a paper mask does not help",
            }
        )
    if "dust" in material.hazards:
        ready.append({"what": "particle mask", "note": "for dust of powder and sanding"})
    ready.append({"what": "the safety data sheets", "note": "read beforehand"})
    return ready
