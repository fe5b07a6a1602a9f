"""Small parts of the page: the bar over the maps, the status line, what the template gets."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from xrfmap.explore.bench import Bench
from xrfmap.explore.markup import message
from xrfmap.explore.plates import Shared
from xrfmap.explore.question_panel import MOST_MAPS
from xrfmap.explore.status import Status
from xrfmap.explore.subject import Subject
from xrfmap.explore.widgets import SHEET, bk, script
from xrfmap.numbers import whole
from xrfmap.report.style import visible_text
from xrfmap.report.words import number

__all__ = [
    "MARGIN_PX",
    "NARROW_PX",
    "SIDE_PX",
    "Bar",
    "here",
    "hover",
    "status",
    "status_words",
    "undo_button",
    "variables",
]

SIDE_PX = 500  # beside the maps: column of findings, margins, scroll bar
NARROW_PX = 1150  # below, the findings stand under the maps; as in explore.css
MARGIN_PX = 60

HINTS = (
    "The pointer reads pixels; a click holds one.",
    "Click the corners of area {slot}; a double click or enter closes it.",
    "Draw around area {slot} with the button held.",
    "Drag a box to look closer.",
    "Drag to move the maps.",
)


class Bar:
    """What can be done on the maps.

    Parameters
    ----------
    shared : Shared
        Tools of all plates; filled later.
    """

    def __init__(self, shared: Shared) -> None:
        self.mode = bk.RadioButtonGroup(
            labels=["point", "outline by corners", "outline free-hand", "zoom", "pan"],
            active=0, name="mode", stylesheets=[SHEET],
        )  # fmt: skip
        self.whole = bk.Button(label="whole scan", stylesheets=[SHEET], name="whole")
        self.nearer = bk.Button(label="+", stylesheets=[SHEET], name="nearer")
        self.farther = bk.Button(label="−", stylesheets=[SHEET], name="farther")
        self.saved = bk.Toggle(
            label="areas of the study", active=True, stylesheets=[SHEET], name="show-saved"
        )
        self._hint = bk.Div(text=message(HINTS[0]), stylesheets=[SHEET])
        self._said = bk.Div(text="", stylesheets=[SHEET], name="place-note")
        self.mode.js_on_change(
            "active",
            bk.CustomJS(
                args={"mode": self.mode, "tools": shared.tools, "sketch": shared.sketch},
                code=script("mode"),
            ),
        )
        self.mode.on_change("active", lambda _a, _o, new: self._explain(new))
        buttons = bk.Row(self.mode, self.whole, self.nearer, self.farther, self.saved,
            stylesheets=[SHEET],
                      styles={"gap": "8px", "flex-wrap": "wrap"})  # fmt: skip
        words = bk.Row(
            self._hint, self._said, stylesheets=[SHEET],
            styles={"gap": "0 20px", "flex-wrap": "wrap"},
        )  # fmt: skip
        self.root = bk.Column(buttons, words, name="tools", stylesheets=[SHEET],
                           styles={"gap": "4px"})  # fmt: skip

    def _explain(self, mode: int) -> None:
        if 0 <= mode < len(HINTS):
            slot = "A (or B, where B is chosen below 4)"
            self._hint.text = message(HINTS[mode].format(slot=slot))

    def tell(self, text: str) -> None:
        """Tell something about the maps."""
        self._said.text = message(text)


def hover(shared: Shared, mode: Any) -> dict[str, Any]:
    """Collect what the scripts in the browser need.

    All of it hangs on the maps: Bokeh keeps only what its page holds in step.
    """
    g, (dx, dy) = shared.frame.grid, shared.frame.step
    grid = {"x0": g.x0, "y0": g.y0, "dx": dx, "dy": dy, "rows": g.rows, "columns": g.columns}
    return {
        "probe": shared.probe, "grid": grid, "mode": mode, "sketch": shared.sketch,
        "closed": shared.closed, "viewport": shared.viewport, "asked": shared.undo,
    }  # fmt: skip


def here() -> Any:
    """Make the card of the pointer."""
    text = message("Move the pointer over a map, or use the arrow keys on it.")
    return bk.Div(text=text, name="here", stylesheets=[SHEET], sizing_mode="stretch_width")


def status() -> Any:
    """Make the line that tells what is being done."""
    return bk.Div(text="", name="status", stylesheets=[SHEET], sizing_mode="stretch_width")


def status_words(status: Status) -> str:
    """Tell what is going on, and what went wrong."""
    bad = message(status.failed, "bad")
    return message(status.words or ("" if bad else "ready")) + message(status.caution) + bad


def undo_button() -> Any:
    """Make the button that takes the latest step back."""
    return bk.Button(label="Undo", disabled=True, name="undo", stylesheets=[SHEET])


def variables(subject: Subject, bench: Bench, links: Sequence[tuple[str, str]]) -> dict[str, Any]:
    """Collect what the frame of the page needs; it escapes all of it."""
    g = bench.frame.grid
    facts = [
        bench.source.name,
        f"{whole(g.columns)} × {whole(g.rows)} pixels",
        f"{number(g.x1 - g.x0)} × {number(g.y1 - g.y0)} {g.unit}",
        f"{whole(bench.channels)} channels",
    ]
    names = [name for name, _ in links]
    return {
        "heading": visible_text(subject.title),
        "facts": visible_text(" · ".join(facts)),
        "links": [(visible_text(name), href) for name, href in links],
        "here": names.index(bench.source.name) if bench.source.name in names else 0,
        "plates": MOST_MAPS,
        "socket": "",
    }
