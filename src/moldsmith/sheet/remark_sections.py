"""The sheet's findings, cautions, and pictures of the way here."""

from __future__ import annotations

from ..pouring.cautions import cautions
from ..workpiece import Finding, Workpiece
from .blocks import Block, Pictures, Remark, Section, Text
from .logs import material_of, ran
from .scene import Scene, stage_pictures
from .wording import listed, raised

__all__ = ["care", "findings", "pictures_of_stages"]

_MOST_OF_A_KIND = {"stop": 4, "warning": 4, "note": 2}


def findings(piece: Workpiece) -> Section | None:
    """What the stages noticed, warnings first, each with what to do."""
    told: list[tuple[str, Finding]] = [
        (
            str(record["stage"]),
            Finding(item["code"], item["severity"], item["message"], item["body"], item["where"]),
        )
        for record in piece.records
        for item in record["findings"]
    ]
    if not told:
        return Section("findings", "Findings", (Text("None: nothing was found that needs you."),))
    blocks: list[Block] = []
    for severity in ("stop", "warning", "note"):
        kinds: dict[tuple[str, str], list[Finding]] = {}
        for stage, finding in told:
            if finding.severity == severity:
                kinds.setdefault((stage, finding.code), []).append(finding)
        most = _MOST_OF_A_KIND[severity]
        for (stage, code), group in kinds.items():
            blocks += [_remark(code, finding) for finding in group[:most]]
            if rest := group[most:]:
                blocks.append(Text(_more(rest, stage), small=True))
    return Section("findings", "Findings and what to do", tuple(blocks))


def _more(rest: list[Finding], stage: str) -> str:
    bodies = [name for name in dict.fromkeys(finding.body for finding in rest) if name]
    on = f", on {listed(bodies)}" if bodies else ""
    return f"And {len(rest)} more of this kind{on}: in the log of {stage}."


def _remark(code: str, finding: Finding) -> Remark:
    where = finding.body
    if finding.where is not None:
        x, y, z = (round(float(value)) for value in finding.where)
        where = f"{where}: x {x}, y {y}, z {z} mm".lstrip(": ")
    text = raised(finding.message[:1].upper() + finding.message[1:])
    return Remark(
        finding.severity, code.replace("-", " ").capitalize(), text.rstrip(".") + ".", where
    )


def care(piece: Workpiece) -> Section | None:
    """What can hurt, before anything is begun."""
    if not ran(piece, "block"):
        return None
    told = cautions(material_of(piece), closed_mold=True, printed=True)
    blocks = tuple(
        Remark("warning", one.heading, one.text, source=one.source, named=False) for one in told
    )
    return Section("care", "Take care", blocks)


def pictures_of_stages(scene: Scene) -> Section | None:
    pictures = stage_pictures(scene)
    if not pictures:
        return None
    return Section("stages", "From scan to mold", (Pictures(pictures, 4),), whole=True)
