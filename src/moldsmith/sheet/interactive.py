"""The 3-D view of a piece under a notebook's cell."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape

from ..workpiece import Workpiece
from .blocks import Sheet
from .page_setting import page
from .scene import scene_of
from .view_model import view_model

__all__ = ["Interactive", "interactive"]


@dataclass(frozen=True, slots=True)
class Interactive:
    """A page with a view to turn. Notebooks show it; `html` may be saved and opened anywhere."""

    html: str
    height_px: int = 620

    def _repr_html_(self) -> str:
        return (
            f'<iframe srcdoc="{escape(self.html)}" width="100%" height="{self.height_px}" '
            'style="border:0"></iframe>'
        )


def interactive(piece: Workpiece, *, title: str = "", height_px: int = 620) -> Interactive:
    """The bodies to turn, take apart and colour by thickness, undercut, overhang or layer steps.

    title : over the view; the piece's name if left out. Works without a network.
    """
    scene = scene_of(piece)
    sheet = Sheet(title or piece.name, "3-D view", "", ())
    return Interactive(page(sheet, view_model(piece, scene.meshes, scene.maps)), height_px)
