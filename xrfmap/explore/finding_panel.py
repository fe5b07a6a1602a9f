"""What comes of it: the table of an area, two areas compared, and saving into the study."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from xrfmap.explore.markup import message
from xrfmap.explore.widgets import SHEET, bk

__all__ = ["DRAWN", "EMPTY", "VIEWS", "FindingPanel"]

VIEWS = ("area A", "area B", "A against B")
EMPTY = "nothing"
DRAWN = "as drawn"
WHOLE = "the whole scan"


class FindingPanel:
    """The controls and texts of the last step.

    Parameters
    ----------
    changed : callable
        Called with ``"view"``, ``"A"``, ``"B"``, ``"corners"``, ``"save"``.
    can_save : bool
        Whether there is a study to save into.
    """

    def __init__(self, changed: Callable[[str], None], can_save: bool) -> None:
        self._changed = changed
        self._silent = False
        self.view = bk.RadioButtonGroup(labels=list(VIEWS), active=0, name="view",
                                     stylesheets=[SHEET])  # fmt: skip
        self.takes = {
            name: bk.Select(title=f"area {name} is", value=EMPTY, options=[EMPTY, WHOLE], width=185,
                         stylesheets=[SHEET], name=f"take-{name}")
            for name in ("A", "B")
        }  # fmt: skip
        self.corners = bk.TextInput(
            title="corners, x y in mm (can be typed)", value="", name="corners",
            sizing_mode="stretch_width", stylesheets=[SHEET],
        )  # fmt: skip
        self.head = bk.Div(text="", stylesheets=[SHEET], name="finding-head",
                        sizing_mode="stretch_width")  # fmt: skip
        self.table = bk.Div(text="", stylesheets=[SHEET], name="finding-table",
                         sizing_mode="stretch_width")  # fmt: skip
        self.note = bk.Div(text="", stylesheets=[SHEET], name="finding-note",
                        sizing_mode="stretch_width")  # fmt: skip
        self.form = self._form(can_save)
        self.root = self._layout()
        self._connect()

    def _form(self, can_save: bool) -> Any:
        def field(title: str, name: str, width: int) -> Any:
            return bk.TextInput(title=title, value="", width=width, name=name, stylesheets=[SHEET])

        self.name = field("name", "area-name", 170)
        self.layer = bk.Select(title="layer", value=EMPTY, options=[EMPTY], width=190,
                            stylesheets=[SHEET], name="area-layer")  # fmt: skip
        self.colour = field("colour", "area-colour", 110)
        self.where = field("where (edge, over a loss …)", "area-where", 250)
        self.remark = bk.TextInput(title="note", value="", name="area-note",
                                sizing_mode="stretch_width", stylesheets=[SHEET])  # fmt: skip
        self.save = bk.Button(label="Save into the study", name="save", stylesheets=[SHEET],
                           disabled=not can_save)  # fmt: skip
        gap = {"gap": "8px"}
        parts: list[Any] = [
            bk.Row(self.name, self.layer, stylesheets=[SHEET], styles=gap),
            bk.Row(self.colour, self.where, stylesheets=[SHEET], styles=gap),
            self.remark,
            self.save,
        ]
        if not can_save:
            text = "Areas are saved into a study file; this page was opened on a bare scan."
            parts = [bk.Div(text=message(text), stylesheets=[SHEET])]
        return bk.Column(*parts, visible=False, stylesheets=[SHEET], sizing_mode="stretch_width",
                      styles={"gap": "4px", "margin-top": "8px"}, name="save-form")  # fmt: skip

    def _layout(self) -> Any:
        takes = bk.Row(*self.takes.values(), stylesheets=[SHEET], styles={"gap": "10px"})
        return bk.Column(self.view, takes, self.corners, self.head, self.table, self.form,
                      self.note,
                      name="finding", stylesheets=[SHEET], sizing_mode="stretch_width",
                      styles={"gap": "5px"})  # fmt: skip

    def _connect(self) -> None:
        def on(what: str) -> Callable[[str, Any, Any], None]:
            def changed(_attr: str, old: Any, new: Any) -> None:
                if not self._silent and old != new:
                    self._changed(what)

            return changed

        self.view.on_change("active", on("view"))
        for name, select in self.takes.items():
            select.on_change("value", on(name))
        self.corners.on_change("value", on("corners"))
        self.save.on_click(lambda: self._changed("save"))

    @property
    def slot(self) -> str:
        """Area whose outline is drawn and whose table is shown; A while both are compared."""
        return "B" if self.view.active == 1 else "A"

    @property
    def comparing(self) -> bool:
        """Whether both areas are compared."""
        return bool(self.view.active == 2)

    def offer(self, areas: Sequence[str], layers: Sequence[str]) -> None:
        """Offer the study's areas and layers."""

        def fill() -> None:
            for select in self.takes.values():
                # a name may be a word of the panel's own; values keep the two apart
                select.options = [
                    (EMPTY, EMPTY), (DRAWN, DRAWN), (WHOLE, WHOLE),
                    *((f"area:{name}", name) for name in areas),
                ]  # fmt: skip
            self.layer.options = [EMPTY, *layers]

        self.quietly(fill)

    def quietly(self, change: Callable[[], Any]) -> None:
        """Change controls without anybody being told."""
        self._silent = True
        try:
            change()
        finally:
            self._silent = False
