"""What can hurt on the way to a finished piece, and what is known about it.

Advice for grown-ups who read the safety data sheet; it makes nobody safe by
itself. Occupational limits are as their publishers had them when this was
written, and are checked by a test against the figures beside it.
"""

from __future__ import annotations

from dataclasses import dataclass

from ..supplies.materials import Material

__all__ = ["DEFER", "Caution", "cautions"]

DEFER = (
    "The product's safety data sheet, local codes and licensed practice come before anything "
    "that is written here."
)


@dataclass(frozen=True, slots=True)
class Caution:
    """One thing to take care of: what, what to do, and who says so."""

    heading: str
    text: str
    source: str


def cautions(
    material: Material | None = None, closed_mold: bool = True, printed: bool = True
) -> tuple[Caution, ...]:
    """The cautions for casting this material, worst first; the last defers to those who know.

    material : None for one that is not named: then whatever may apply is told
    closed_mold : it cures under a lid or core
    printed : the mold is printed in layers, and sanded
    """
    hazards = None if material is None else set(material.hazards)
    foam = material is None or material.kind == "foam"

    def may(hazard: str) -> bool:
        return hazards is None or hazard in hazards

    told = []
    if may("isocyanate"):
        told += _ISOCYANATES
    if may("amine"):
        told.append(_AMINES)
    if closed_mold:
        told.append(_PRESSURE_FOAM if foam else _PRESSURE)
    if may("exotherm"):
        told.append(_exotherm(material))
    if may("fire"):
        told.append(_FIRE)
    if may("methanol") or may("ethanol"):
        told.append(_ALCOHOL)
    if printed or may("dust"):
        told.append(_dust(foam))
    if hazards is not None and "dust" in hazards and material and material.kind == "gypsum":
        told.append(_GYPSUM)
    if printed:
        told.append(_PRINTER)
    told.append(_SKIN)
    told.append(Caution("Who has the last word", DEFER, "this project"))
    return tuple(told)


_ISOCYANATES = [
    Caution(
        "Isocyanates: breathing",
        "The isocyanate side can make you allergic for life; one who is must keep away from it "
        "altogether. You cannot smell it in time. Work outdoors or under extraction, with "
        "a respirator programme that a professional set up (supplied air, or what the data sheet "
        "and local rules name), never with a paper mask. Limits at work, MDI: OSHA ceiling "
        "0.02 ppm (0.2 mg/m³); NIOSH 0.005 ppm (0.05 mg/m³) over a shift, 0.020 ppm over 10 "
        "minutes. 2,4-TDI: OSHA ceiling 0.02 ppm (0.14 mg/m³); NIOSH holds it for a potential "
        "carcinogen.",
        "NIOSH IDLH documentation of MDI (101-68-8) and 2,4-TDI (584-84-9), which give the OSHA "
        "limits; OSHA letter of 13 June 1996 on respirators; 29 CFR 1910.134",
    ),
    Caution(
        "Isocyanates: skin and eyes",
        "Skin contact can bring the allergy on too. Gloves that the data sheet names, sleeves and "
        "goggles until the part is fully cured; wipe splashes off at once, then soap and water. "
        "In the EU, whoever uses products with more than 0.1 % of it by trade must be trained "
        "first.",
        "hazard statements H317, H334, H351 of MDI components in their safety data sheets; "
        "Regulation (EU) 2020/1149 (REACH Annex XVII, entry 74)",
    ),
]
_AMINES = Caution(
    "Amines in the other side",
    "Catalysts and curatives of the polyol side can burn skin and eyes and cloud the sight for "
    "hours: same gloves, goggles and air.",
    "safety data sheets of such components, from memory",
)
_PRESSURE_FOAM = Caution(
    "Pressure in a closed mold",
    "Rising foam presses the mold open. Keep every vent free, clamp before you mix as the plan "
    "says, stand aside while it rises, and open only after the time to demold: hot gas and soft "
    "foam come out otherwise. The pressure in the plan is a reckoned bound, not a measured one.",
    "Boyle's law for a mold without vents, our model; the rest is common practice",
)
_PRESSURE = Caution(
    "Weight and pressure in a closed mold",
    "The liquid's head lifts lid and core and finds every gap: clamp before you pour, and have "
    "clay and rags at hand for leaks.",
    "hydrostatics; the rest is common practice",
)
_FIRE = Caution(
    "Fire",
    "Cured foam catches fire easily, burns fast and gives off poisonous smoke; a lump cast too "
    "thick can char from its own heat. Nothing here makes it flame-retardant: for the stage, ask "
    "those in charge of fire safety, and keep it from flames, sparks, smoking and hot lamps.",
    "common practice",
)
_ALCOHOL = Caution(
    "Alcohol given off while curing",
    "Condensation-cure silicone gives off alcohol: moving air, no flames.",
    "safety data sheets of such components, from memory",
)
_GYPSUM = Caution(
    "Setting plaster",
    "It heats as it sets: never round a hand or any part of a body, where it burns. Do not pour "
    "leftovers into a drain.",
    "accidents that became known, from memory; common practice",
)
_PRINTER = Caution(
    "Printing",
    "Hot filament gives off fine particles and fumes. Print in a room where nobody stays, with "
    "air drawn off at the nozzle or a closed box with a filter; an open partial box does little.",
    "ANSI/CAN/UL 2904 (test of such emissions); NIOSH guide for makerspaces and schools",
)
_SKIN = Caution(
    "Wearing it",
    "No casting material here is tested on skin, and what is cast by hand is not what a maker may "
    "have tested. Let it cure fully, wash it, wear it over cloth, and stop at the first itch. It "
    "is padding to look at: it protects nobody from a blow or a fall.",
    "ISO 10993-10:2021 and -23:2021 are how skin contact would be tested; no such test was made",
)


def _dust(foam: bool) -> Caution:
    uncured = " Never sand or hot-cut foam that is not fully cured." if foam else ""
    return Caution(
        "Sanding dust",
        "Sand wet where you can, with extraction and a particle mask; no food nearby. Dust "
        "without a limit of its own: OSHA 15 mg/m³ in all, 5 mg/m³ of what reaches the lungs."
        + uncured,
        "OSHA, particulates not otherwise regulated, 29 CFR 1910.1000 Table Z-1",
    )


def _exotherm(material: Material | None) -> Caution:
    degrees = ""
    if material is not None and material.exotherm_c is not None:
        degrees = f" A thick lump of it reaches about {material.exotherm_c:.0f} °C."
    return Caution(
        "Heat of the reaction",
        "It heats as it cures, the more the thicker it is and the more stands together in a cup: a "
        "forgotten cup can smoke or burn." + degrees + " Mix what you pour, spread leftovers "
        "thin outdoors, and keep the cured piece away from others until it is cold inside.",
        "common practice: foam plants keep blocks under 160 °C; the material's own figure as its "
        "data sheet tells",
    )
