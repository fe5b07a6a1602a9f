"""What the person wants to know: which maps, which window, which picture."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from xrfmap.explore.widgets import SHEET, bk

__all__ = ["INK_NAMES", "MOST_MAPS", "NOTHING", "OTHER_MAPS", "QuestionPanel"]

MOST_MAPS = 6  # plates in all, with the window and the mixture of colours
NOTHING = "–"
INK_NAMES = ("orange", "blue-green", "violet")
OTHER_MAPS = {"all counts": "total_counts", "misfit": "deviance_per_dof"}
"""Maps that are no element: by the name of their button."""


class QuestionPanel:
    """The controls of the first step.

    Parameters
    ----------
    pictures : sequence of str
        Pictures of the study.
    changed : callable
        Called with ``"maps"``, ``"mixture"``, ``"window"``, ``"picture"``.
    """

    def __init__(self, pictures: Sequence[str], changed: Callable[[str], None]) -> None:
        self._changed = changed
        self._silent = False
        self.families = bk.CheckboxButtonGroup(
            labels=[*OTHER_MAPS], active=[0], name="families", stylesheets=[SHEET]
        )
        self.inks = [
            bk.Select(title=ink, value=NOTHING, options=[NOTHING], width=88, stylesheets=[SHEET],
                   name=f"ink-{ink}")
            for ink in INK_NAMES
        ]  # fmt: skip
        self.low, self.high = (
            bk.Spinner(title=title, value=None, low=0, high=200, step=0.01, width=84, name=name,
                    mode="float", stylesheets=[SHEET])
            for title, name in (("from keV", "window-low"), ("to keV", "window-high"))
        )  # fmt: skip
        self.no_window = bk.Button(label="no window", stylesheets=[SHEET])
        self.picture = bk.Select(title="picture", value=NOTHING, options=[NOTHING, *pictures],
                              width=150, stylesheets=[SHEET], name="picture")  # fmt: skip
        self.opacity = bk.Slider(title="how strong [%]", start=0, end=100, step=5, value=60,
                              width=130,
                              stylesheets=[SHEET], name="opacity")  # fmt: skip
        self._connect()
        self.root = self._layout(bool(pictures))

    def _connect(self) -> None:
        def on(what: str) -> Callable[[str, Any, Any], None]:
            def changed(_attr: str, old: Any, new: Any) -> None:
                if not self._silent and old != new:
                    self._changed(what)

            return changed

        self.families.on_change("active", on("maps"))
        for select in self.inks:
            select.on_change("value", on("mixture"))
        for spinner in (self.low, self.high):
            spinner.on_change("value", on("window"))
        self.no_window.on_click(lambda: self._changed("no window"))
        self.picture.on_change("value", on("picture"))
        self.opacity.on_change("value_throttled", on("picture"))

    def _layout(self, pictures: bool) -> Any:
        def asked(words: str, *parts: Any) -> Any:
            head = bk.Div(text=words, stylesheets=[SHEET], styles={"font-style": "italic"})
            row = bk.Row(*parts, stylesheets=[SHEET], styles={"gap": "6px", "align-items": "end"})
            return bk.Column(head, row, stylesheets=[SHEET], styles={"gap": "2px"})

        self.where = bk.Div(text="Where is …", stylesheets=[SHEET], styles={"font-style": "italic"})
        more = [
            asked("What lies in this energy window?", self.low, self.high, self.no_window),
            asked("What goes with what?", *self.inks),
        ]
        if pictures:
            more.append(asked("What does the eye see there?", self.picture, self.opacity))
        row = bk.Row(*more, stylesheets=[SHEET], styles={"gap": "6px 30px", "flex-wrap": "wrap"})
        return bk.Column(self.where, self.families, row, name="question", stylesheets=[SHEET],
                      sizing_mode="stretch_width", styles={"gap": "4px"})  # fmt: skip

    # -- read and set -------------------------------------------------------------------

    @property
    def maps(self) -> list[str]:
        """Names of the maps asked for, in the order of the buttons."""
        labels = self.families.labels
        return [str(labels[k]) for k in self.families.active if k < len(labels)]

    @property
    def mixture(self) -> list[str]:
        """Families of the composite, in the order of the inks; those not chosen left out."""
        return [str(s.value) for s in self.inks if s.value != NOTHING]

    def set_families(self, families: Sequence[str], active: Sequence[str]) -> None:
        """Offer families, and mark those shown."""
        labels = [*families, *OTHER_MAPS]
        self.quietly(
            lambda: self.families.update(
                labels=labels, active=[k for k, name in enumerate(labels) if name in active]
            )
        )
        for select in self.inks:
            select.options = [NOTHING, *families]

    def set_maps(self, names: Sequence[str]) -> None:
        """Mark the maps shown."""
        labels = self.families.labels
        self.quietly(
            lambda: self.families.update(active=[k for k, n in enumerate(labels) if n in names])
        )

    def set_mixture(self, names: Sequence[str]) -> None:
        """Choose the families of the composite."""
        full = [*names, *[NOTHING] * 3][:3]

        def choose() -> None:
            for select, name in zip(self.inks, full, strict=True):
                select.value = name

        self.quietly(choose)

    def set_window(self, window: tuple[float, float] | None) -> None:
        """Put the ends of the window into their fields."""
        ends = (None, None) if window is None else (round(window[0], 3), round(window[1], 3))

        def put() -> None:
            self.low.value, self.high.value = ends

        self.quietly(put)

    def quietly(self, change: Callable[[], Any]) -> None:
        """Change controls without anybody being told."""
        self._silent = True
        try:
            change()
        finally:
            self._silent = False
