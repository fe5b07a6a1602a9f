"""The spectrum figure: pixel, areas, fit with components, and the energy window."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from bokeh.events import SelectionGeometry

from xrfmap.explore import curves
from xrfmap.explore.fits import AreaFit
from xrfmap.explore.markup import clean
from xrfmap.explore.reading import SumSpectrum
from xrfmap.explore.widgets import SHEET, bk, figure, script
from xrfmap.report import style

__all__ = ["SpectrumPanel"]

Array = npt.NDArray[np.float64]

INKS = {"mean": "#938876", "pixel": "#7a4a8c", "A": style.ACCENT, "B": "#a84300"}
NAMES = {
    "mean": "whole scan",
    "pixel": f"pixel, {curves.TOGETHER} channels together",
    "A": "area A",
    "B": "area B",
}
FIT_INK = "#c22f1d"
MODES = ("energy window", "zoom", "pan")
TINY = 1e-12  # stands for no counts on a logarithmic axis: below its lower end


class SpectrumPanel:
    """What the spectrum shows, and what can be chosen in it.

    Parameters
    ----------
    axis : ndarray, shape (channels,)
        Energy, or channel until there is a scale.
    in_kev : bool
        Which of the two.
    window : callable
        Called with the ends of a window that was drawn.
    """

    def __init__(self, axis: Array, in_kev: bool, window: Callable[[float, float], None]) -> None:
        self.axis, self.in_kev = axis, in_kev
        self._window = window
        self._fit: AreaFit | None = None
        self._many: dict[str, int] = {}
        self._parts: list[curves.Component] = []
        self.sources = {
            name: bk.ColumnDataSource({"x": [], "y": []})
            for name in ("mean", "pixel", "A", "B", "fit")
        }
        self.parts = bk.ColumnDataSource({k: [] for k in ("xs", "ys", "ink", "dash")})
        self.marks = bk.ColumnDataSource({k: [] for k in ("x", "y", "text", "ink")})
        self.ticks = bk.ColumnDataSource({k: [] for k in ("x0", "y0", "x1", "y1", "ink")})
        self.left = bk.ColumnDataSource({"x": [], "y": []})
        self.x_range = bk.Range1d(*self._whole())
        self.y_range = bk.Range1d(0.001, 100)
        self.box = bk.ColumnDataSource({"x0": [], "x1": []})
        self._tools: dict[str, list[Any]] = {"window": [], "zoom": [], "pan": []}
        self.log = self._figure("log")
        self.linear = self._figure("linear")
        self.linear.visible = False
        self.residual = self._residual()
        self.choice = bk.CheckboxButtonGroup(labels=[], active=[], stylesheets=[SHEET],
                                          name="components", visible=False)  # fmt: skip
        self.choice.on_change("active", lambda _a, _o, _n: self._show_parts())
        self.key = bk.Div(text="", stylesheets=[SHEET])
        self.x_range.on_change("start", lambda _a, _o, _n: self._show_marks())
        self.x_range.on_change("end", lambda _a, _o, _n: self._show_marks())
        self.root = self._layout()

    def _whole(self) -> tuple[float, float]:
        if not self.in_kev:
            return 0.0, float(self.axis[-1])
        return 0.5, float(self.axis[-1])

    def _figure(self, scale: str) -> Any:
        plot = figure(
            name=f"spectrum-{scale}", height=270, sizing_mode="stretch_width", tools="",
            toolbar_location=None, x_range=self.x_range, y_axis_type=scale,
            y_range=self.y_range if scale == "log" else bk.Range1d(0, 1),
            background_fill_color="white", outline_line_color=None, min_border_left=64,
            min_border_right=8,
        )  # fmt: skip
        _quiet_axes(plot, self._unit(), "counts per pixel and channel")
        plot.extra_y_ranges, plot.extra_y_scales = (
            {"top": bk.Range1d(0, 1)},
            {"top": bk.LinearScale()},
        )
        plot.vstrip(x0="x0", x1="x1", source=self.box, fill_alpha=0.16, fill_color=style.ACCENT,
                    line_color=style.ACCENT)  # fmt: skip
        plot.multi_line("xs", "ys", source=self.parts, line_color="ink", line_dash="dash",
                        line_width=1.3)  # fmt: skip
        for name, width in (("mean", 1.0), ("pixel", 1.0), ("B", 1.4), ("A", 1.4)):
            plot.step("x", "y", source=self.sources[name], line_color=INKS[name],
                      line_width=width, mode="center",
                      line_alpha=0.55 if name == "pixel" else 1)  # fmt: skip
        plot.line("x", "y", source=self.sources["fit"], line_color=FIT_INK, line_width=1.1)
        plot.segment("x0", "y0", "x1", "y1", source=self.ticks, line_color="ink", line_width=0.8,
                     y_range_name="top")  # fmt: skip
        plot.text("x", "y", text="text", source=self.marks, text_color="ink", angle=np.pi / 2,
                  text_font_size="12px", text_align="right", text_baseline="middle",
                  y_range_name="top")  # fmt: skip
        self._add_tools(plot)
        return plot

    def _add_tools(self, plot: Any) -> None:
        tools: dict[str, Any] = {
            "window": bk.BoxSelectTool(dimensions="width", renderers=[]),
            "zoom": bk.BoxZoomTool(dimensions="width"),
            "pan": bk.PanTool(dimensions="width"),
        }
        wheel = bk.WheelZoomTool(dimensions="width", zoom_on_axis=False)
        plot.add_tools(*tools.values(), wheel)
        plot.toolbar.active_scroll, plot.toolbar.active_drag = wheel, tools["window"]
        for name, tool in tools.items():
            self._tools[name].append(tool)

        def chosen(event: SelectionGeometry) -> None:
            shape: Any = event.geometry or {}
            if event.final and shape.get("type") == "rect":
                self._window(shape.get("x0"), shape.get("x1"))

        plot.on_event(SelectionGeometry, chosen)

    def _residual(self) -> Any:
        plot = figure(
            name="residual", height=84, sizing_mode="stretch_width", tools="",
            toolbar_location=None, x_range=self.x_range, y_range=bk.Range1d(-6, 6),
            background_fill_color="white", outline_line_color=None, min_border_left=64,
            min_border_right=8, visible=False,
        )  # fmt: skip
        _quiet_axes(plot, None, "misfit [σ]")
        plot.xaxis.visible = False
        plot.yaxis.ticker = [-3, 0, 3]
        plot.ygrid.visible = True
        plot.ygrid.grid_line_color = "#8d867a"
        plot.step("x", "y", source=self.left, line_color=style.ACCENT, mode="center")
        return plot

    def _layout(self) -> Any:
        self.scale = bk.RadioButtonGroup(labels=["log", "linear"], active=0, stylesheets=[SHEET])
        self.mode = bk.RadioButtonGroup(labels=list(MODES), active=0, stylesheets=[SHEET])
        whole = bk.Button(label="whole spectrum", stylesheets=[SHEET])
        whole.on_click(self.show_whole)
        self.scale.on_change("active", self._rescale)
        self.mode.js_on_change(
            "active",
            bk.CustomJS(
                args={"mode": self.mode, "tools": self._tools}, code=script("spectrum_mode")
            ),
        )
        words = bk.Div(text="dragging sets", stylesheets=[SHEET], styles={"padding-top": "6px"})
        bar = bk.Row(words, self.mode, self.scale, whole, stylesheets=[SHEET],
                  styles={"gap": "8px"})  # fmt: skip
        return bk.Column(bar, self.log, self.linear, self.residual, self.choice, self.key,
                      name="spectrum", sizing_mode="stretch_width", stylesheets=[SHEET],
                      styles={"gap": "4px"})  # fmt: skip

    def _unit(self) -> str:
        return "energy [keV]" if self.in_kev else "channel (no energy scale yet)"

    def _rescale(self, _attr: str, _old: Any, new: int) -> None:
        self.log.visible, self.linear.visible = new == 0, new == 1

    def show_whole(self) -> None:
        """Show the whole energy range."""
        low, high = self._whole()
        self.x_range.update(start=low, end=high)

    # -- what is shown ------------------------------------------------------------------

    def set_axis(self, axis: Array, in_kev: bool) -> None:
        """Take a new energy scale; curves must be set again afterwards."""
        moved = in_kev != self.in_kev
        self.axis, self.in_kev = axis, in_kev
        for plot in (self.log, self.linear):
            plot.xaxis.axis_label = self._unit()
        if moved:
            self.show_whole()

    def show(self, name: str, spectrum: SumSpectrum | None) -> None:
        """Show the spectrum of the pixel, of area A or of area B; None for nothing."""
        source = self.sources[name]
        if spectrum is None:
            source.data = {"x": [], "y": []}
        else:
            values = curves.per_pixel(spectrum)
            source.data = {"x": self.axis, "y": np.maximum(values, TINY)}
        self._many[name] = spectrum.pixels if spectrum is not None else 0
        self._stretch()
        self._tell_key()

    def show_fit(self, fit: AreaFit | None, pixels: int) -> None:
        """Show a fit with its components; None for nothing."""
        self._fit = fit
        self.residual.visible = self.choice.visible = fit is not None
        if fit is None:
            self._parts = []
            self.sources["fit"].data = self.left.data = {"x": [], "y": []}
            self._show_parts()
            return
        model = np.asarray(fit.spectra["model"].values) / max(pixels, 1)
        self.sources["fit"].data = {"x": self.axis, "y": np.maximum(model, TINY)}
        self.left.data = {"x": self.axis, "y": curves.residuals(fit.spectra)}
        before = {self.choice.labels[k] for k in self.choice.active} if self._parts else None
        known = set(self.choice.labels)
        self._parts = curves.components(fit.spectra, pixels)
        names = [part.label for part in self._parts]
        active = [
            k for k, name in enumerate(names)
            if before is None or name in before or name not in known
        ]  # fmt: skip
        self.choice.update(labels=names, active=active, stylesheets=[SHEET, _inks(self._parts)])
        self._show_parts()

    def _show_parts(self) -> None:
        shown = [self._parts[k] for k in self.choice.active if k < len(self._parts)]
        self.parts.data = {
            "xs": [self.axis] * len(shown),
            "ys": [np.maximum(part.counts, TINY) for part in shown],
            "ink": [part.ink for part in shown],
            "dash": [list(part.dash) for part in shown],
        }
        self._tell_key()
        self._show_marks()
        self._stretch()

    def _tell_key(self) -> None:
        """Tell what the lines mean, with their dashes."""
        entries: list[tuple[str, tuple[float, ...], str]] = [
            (INKS[name], (), NAMES[name]) for name in INKS if len(self.sources[name].data["y"])
        ]
        if self._fit is not None:
            entries.append((FIT_INK, (), "fit"))
        lines = "".join(_key_entry(*entry) for entry in entries)
        self.key.text = f'<div class="key">{lines}</div>'

    def _show_marks(self) -> None:
        shown = [self._parts[k] for k in self.choice.active if k < len(self._parts)]
        low, high = float(self.x_range.start), float(self.x_range.end)
        gap = (high - low) * 14 / 760  # a line of text on a figure of usual width
        names = curves.labels(shown, low, high, gap)
        self.marks.data = {
            "x": [n.place for n in names], "y": [0.99] * len(names),
            "text": [n.text for n in names], "ink": [n.ink for n in names],
        }  # fmt: skip
        self.ticks.data = {
            "x0": [n.place for n in names], "y0": [0.845] * len(names),
            "x1": [n.energy for n in names], "y1": [0.815] * len(names),
            "ink": [n.ink for n in names],
        }  # fmt: skip

    def _stretch(self) -> None:
        """Fit the upward axes to what is shown."""
        drawn: list[Array] = [
            np.asarray(s.data["y"], dtype=float)
            for name, s in self.sources.items() if name != "fit" and len(s.data["y"])
        ]  # fmt: skip
        if not drawn:
            return
        inside = np.asarray(self.axis > (1.0 if self.in_kev else 20))
        pixels = max(self._many.values(), default=1)
        bottom, top = curves.span_of(drawn, pixels, inside)
        self.y_range.update(start=bottom, end=top * 4)
        self.linear.y_range.update(start=0, end=top / 3.2 * 1.35)

    def show_window(self, window: tuple[float, float] | None) -> None:
        """Mark the energy window."""
        ends = [] if window is None else [window]
        self.box.data = {"x0": [low for low, _ in ends], "x1": [high for _, high in ends]}


def _inks(parts: Sequence[curves.Component]) -> str:
    """Style sheet that gives each button the line of its component."""
    rules = [
        f".bk-btn:nth-child({n}) {{ border-left: 7px {'dashed' if part.dash else 'solid'} "
        f"{part.ink}; }}"
        for n, part in enumerate(parts, 1)
    ]
    return "\n".join([".bk-btn.bk-active { background: #fff; color: #1f1d1a; }", *rules,
                      ".bk-btn:not(.bk-active) { background: none; color: #5b554c; "
                      "text-decoration: line-through; }"])  # fmt: skip


def _key_entry(ink: str, dash: tuple[float, ...], name: str) -> str:
    dashes = " ".join(f"{length:g}" for length in dash)
    line = f'<line x1="0" x2="26" y1="4" y2="4" stroke="{ink}" stroke-width="2" '
    line += f'stroke-dasharray="{dashes}"/>'
    return f'<span><svg width="26" height="8" aria-hidden="true">{line}</svg>{clean(name)}</span>'


def _quiet_axes(plot: Any, x_label: str | None, y_label: str) -> None:
    plot.xgrid.visible = False
    plot.ygrid.grid_line_color = "#ece6da"
    plot.xaxis.axis_label, plot.yaxis.axis_label = x_label, y_label
    for axis in (*plot.xaxis, *plot.yaxis):
        axis.axis_label_text_font_style = "normal"
        axis.axis_label_text_color = axis.major_label_text_color = style.INK
        axis.axis_label_text_font_size = axis.major_label_text_font_size = "12px"
        axis.minor_tick_line_color = None
