"""Picture and table of a plan."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from xrfmap.planning.plan import CHANCE, needed_dwell

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["plan_figure", "plan_rows"]


def plan_rows(plan: xr.Dataset) -> list[dict[str, float | str]]:
    """Rows of a table: one for each cover and dwell time.

    Parameters
    ----------
    plan : Dataset
        From :func:`xrfmap.planning.plan.plan_detection`.

    Returns
    -------
    list of dict
        ``cover [um]``, ``dwell [s]``, ``line``, ``chance``, ``net counts``, ``decision
        threshold``, ``detection limit``, all of the best family.
    """
    rows: list[dict[str, float | str]] = []
    for cover in plan["cover"].values:
        for dwell in plan["dwell"].values:
            cell = plan.sel(cover=cover, dwell=dwell)
            line = str(cell["best_line"].values)
            mine = cell.sel(line=line)
            rows.append(
                {
                    "cover [um]": float(cover),
                    "dwell [s]": float(dwell),
                    "line": line,
                    "chance": float(mine["chance"]),
                    "net counts": float(mine["net_counts"]),
                    "decision threshold": float(mine["decision_threshold"]),
                    "detection limit": float(mine["detection_limit"]),
                }
            )
    return rows


def plan_figure(plan: xr.Dataset, chance: float = CHANCE) -> Figure:
    """Draw the chance of detection, and the dwell time that is needed.

    Parameters
    ----------
    plan : Dataset
        From :func:`xrfmap.planning.plan.plan_detection`.
    chance : float
        Chance that the second panel is about.

    Returns
    -------
    matplotlib.figure.Figure
        Left: chance against dwell time, a curve for each cover, darker under more; right:
        the dwell time needed, against the cover; open triangles where the longest dwell
        time of the plan is too short.
    """
    from matplotlib import colormaps
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8.0, 3.4), layout="constrained")
    left, right = figure.subplots(1, 2)
    dwell, cover = plan["dwell"].values, plan["cover"].values
    # from light to dark, which also reads without colour
    tones = colormaps["cividis_r"](np.linspace(0.15, 1.0, len(cover)))
    for tone, um in zip(tones, cover, strict=True):
        row = plan["best_chance"].sel(cover=um).transpose("dwell").values
        left.plot(dwell, row, color=tone, marker="o", markersize=3, label=f"{um:g} µm")
    left.axhline(chance, color="0.6", linewidth=0.8, linestyle="--")
    left.set(xscale="log", ylim=(0, 1.02), xlabel="Dwell time [s]",
             ylabel=f"Chance to detect {plan.attrs['element']} in a pixel")  # fmt: skip
    left.legend(title=plan.attrs["cover_material"], fontsize="small", title_fontsize="small")
    needed = needed_dwell(plan, chance).values
    reached = np.isfinite(needed)
    right.plot(cover[reached], needed[reached], color=tones[-1], marker="o", markersize=4)
    right.plot(cover[~reached], np.full((~reached).sum(), dwell[-1]), "^", color=tones[-1],
               markerfacecolor="white")  # fmt: skip
    right.set(yscale="log", xlabel="Cover [µm]",
              ylabel=f"Dwell time for a chance of {100 * chance:g} % [s]")  # fmt: skip
    return figure
