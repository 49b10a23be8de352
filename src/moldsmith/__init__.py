"""From a body scan to a print-ready mold and everything needed to cast from it."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

# Public name -> module that holds it. Loaded on first use, so that the import costs nothing.
_ROOMS = {
    "Finding": "workpiece",
    "Frame": "workpiece",
    "Workpiece": "workpiece",
    "MoldsmithError": "errors",
    "BadJob": "errors",
    "BadParameter": "errors",
    "BadScan": "errors",
    "CannotBuild": "errors",
    "CannotWrite": "errors",
    "MissingPackage": "errors",
    "load_scan": "scan.reading",
    "heal": "scan.healing",
    "stand": "scan.standing",
    "Measure": "scan.measuring",
    "girth": "scan.measuring",
    "breadth": "scan.measuring",
    "depth": "scan.measuring",
    "section_area_mm2": "scan.measuring",
    "surface_length": "scan.measuring",
    "measure_body": "scan.body_measures",
    "fit": "scan.fitting",
    "symmetrise": "scan.mirroring",
    "crop": "scan.cropping",
    "smooth": "scan.relief",
    "relief": "scan.relief",
    "mirror": "scan.mirroring",
    "shell": "pad.shelling",
    "fit_check": "pad.pressing",
    "block": "mold.blocks",
    "channels": "mold.channelling",
    "fasten": "mold.flange.fastening",
    "split": "mold.parts.splitting",
    "overhangs": "printing.flagging",
    "Printer": "supplies.printer",
    "Filament": "supplies.filament",
    "Material": "supplies.materials",
    "material": "supplies.materials",
    "filament": "supplies.filament",
    "estimate": "printing.estimating",
    "lay_out": "printing.posing",
    "fill": "pouring.filling",
    "mix": "pouring.mixing",
    "clamp": "pouring.clamping",
    "coat": "pouring.coating",
    "timeline": "pouring.scheduling",
    "cautions": "pouring.cautions",
    "free_rise_kg_m3": "pouring.batches",
    "sheet_lid": "sheet.templates",
    "write_shop_sheet": "sheet.shop_sheet",
    "run_job": "batch",
    "reprint": "reprinting",
    "pause_height": "reprinting",
    "cluster_executor": "cluster",
}

__all__ = [*sorted(_ROOMS), "__version__"]

if TYPE_CHECKING:
    from .batch import run_job as run_job
    from .cluster import cluster_executor as cluster_executor
    from .errors import BadJob as BadJob
    from .errors import BadParameter as BadParameter
    from .errors import BadScan as BadScan
    from .errors import CannotBuild as CannotBuild
    from .errors import CannotWrite as CannotWrite
    from .errors import MissingPackage as MissingPackage
    from .errors import MoldsmithError as MoldsmithError
    from .mold.blocks import block as block
    from .mold.channelling import channels as channels
    from .mold.flange.fastening import fasten as fasten
    from .mold.parts.splitting import split as split
    from .pad.pressing import fit_check as fit_check
    from .pad.shelling import shell as shell
    from .pouring.batches import free_rise_kg_m3 as free_rise_kg_m3
    from .pouring.cautions import cautions as cautions
    from .pouring.clamping import clamp as clamp
    from .pouring.coating import coat as coat
    from .pouring.filling import fill as fill
    from .pouring.mixing import mix as mix
    from .pouring.scheduling import timeline as timeline
    from .printing.estimating import estimate as estimate
    from .printing.flagging import overhangs as overhangs
    from .printing.posing import lay_out as lay_out
    from .reprinting import pause_height as pause_height
    from .reprinting import reprint as reprint
    from .scan.body_measures import measure_body as measure_body
    from .scan.cropping import crop as crop
    from .scan.fitting import fit as fit
    from .scan.healing import heal as heal
    from .scan.measuring import Measure as Measure
    from .scan.measuring import breadth as breadth
    from .scan.measuring import depth as depth
    from .scan.measuring import girth as girth
    from .scan.measuring import section_area_mm2 as section_area_mm2
    from .scan.measuring import surface_length as surface_length
    from .scan.mirroring import mirror as mirror
    from .scan.mirroring import symmetrise as symmetrise
    from .scan.reading import load_scan as load_scan
    from .scan.relief import relief as relief
    from .scan.relief import smooth as smooth
    from .scan.standing import stand as stand
    from .sheet.shop_sheet import write_shop_sheet as write_shop_sheet
    from .sheet.templates import sheet_lid as sheet_lid
    from .supplies.filament import Filament as Filament
    from .supplies.filament import filament as filament
    from .supplies.materials import Material as Material
    from .supplies.materials import material as material
    from .supplies.printer import Printer as Printer
    from .workpiece import Finding as Finding
    from .workpiece import Frame as Frame
    from .workpiece import Workpiece as Workpiece


def __getattr__(name: str) -> Any:
    if name not in _ROOMS:
        raise AttributeError(f"module 'moldsmith' has no attribute '{name}'")
    value = getattr(import_module(f"{__name__}.{_ROOMS[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return __all__
