"""Amounts on the command line: what ``xrfmap spectrum --amounts`` adds to the fit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

if TYPE_CHECKING:
    import xarray as xr

    from xrfmap.amounts.strength import Strength
    from xrfmap.identification.identify import Found
    from xrfmap.settings import Instrument

__all__ = [
    "Amounts",
    "Asked",
    "Composition",
    "Geometry",
    "Reference",
    "ReferenceDensity",
    "ReferenceUm",
    "TubeMa",
    "amount_lines",
    "amounts_asked",
]

_PANEL = "Amounts"


def _option(name: str, words: str, **more: Any) -> Any:
    return typer.Option(name, help=words, rich_help_panel=_PANEL, **more)


Amounts = Annotated[
    str | None,
    _option(
        "--amounts",
        "thin: mass per area of one thin layer; thick: mass fractions of one thick, even body.",
    ),
]
Reference = Annotated[
    Path | None, _option("--reference", "Spectrum of a body of known composition, same settings.")
]
Composition = Annotated[
    str | None, _option("--composition", 'Its mass fractions: "Fe 0.70, Cr 0.18, Ni 0.12".')
]
ReferenceUm = Annotated[
    float | None, _option("--reference-um", "Its thickness [µm]; thick if not given.", min=1e-6)
]
ReferenceDensity = Annotated[
    float, _option("--reference-density", "Its density [g/cm3].", min=1e-3, max=25.0)
]
Geometry = Annotated[
    float | None,
    _option(
        "--geometry-sr2",
        "In place of a reference: solid angle of the beam times that of the detector [sr2].",
        min=1e-15,
    ),
]
TubeMa = Annotated[float | None, _option("--tube-ma", "Tube current, with --geometry-sr2 [mA].")]


@dataclass(frozen=True)
class Asked:
    """What was asked for, with the strength once it is known."""

    body: Literal["thin", "thick"]
    strength: Strength | None
    instrument: Instrument | None  # of the reference

    def answer(self, found: Found, data: xr.Dataset, name: str) -> list[dict[str, Any]]:
        """Amounts of one fitted spectrum, a row each."""
        from xrfmap.amounts.reference import AmountQuestion, measure_amounts, same_instrument
        from xrfmap.scan import instrument_of

        if self.instrument is not None:
            same_instrument(instrument_of(data), self.instrument, "the reference")
        told = measure_amounts(found, data, self.strength, AmountQuestion(self.body), name)
        return [{"file": name, **asdict(one), "lines": ", ".join(one.lines)} for one in told]


def amounts_asked(
    amounts: str | None,
    reference: Path | None,
    composition: str | None,
    reference_um: float | None,
    reference_density: float,
    geometry_sr2: float | None,
    tube_ma: float | None,
    instrument: Instrument,
) -> Asked | None:
    """Check the options and fit the reference.

    Returns
    -------
    Asked or None
        None where no amounts are asked for.

    Raises
    ------
    typer.BadParameter
        If options do not belong together.
    XrfmapError
        If the reference cannot be used.
    """
    if amounts is None:
        if reference is not None or composition is not None or geometry_sr2 is not None:
            raise typer.BadParameter("a reference or geometry asks for --amounts thin or thick")
        return None
    if amounts not in ("thin", "thick"):
        raise typer.BadParameter(f"--amounts {amounts}; expected thin or thick")
    body: Literal["thin", "thick"] = "thin" if amounts == "thin" else "thick"
    if (reference is None) != (composition is None):
        raise typer.BadParameter("--reference and --composition belong together")
    if reference is not None and geometry_sr2 is not None:
        raise typer.BadParameter("give either a reference or --geometry-sr2")
    if (geometry_sr2 is None) != (tube_ma is None):
        raise typer.BadParameter("--geometry-sr2 and --tube-ma belong together")
    if body == "thin" and reference is None and geometry_sr2 is None:
        raise typer.BadParameter(
            "--amounts thin needs --reference with --composition, or --geometry-sr2 with "
            "--tube-ma: counts alone give no mass per area"
        )
    if geometry_sr2 is not None and tube_ma is not None:
        from xrfmap.amounts.strength import strength_from_flux
        from xrfmap.settings import ReferenceEntry

        rough = ReferenceEntry(geometry_sr2=geometry_sr2).error
        return Asked(body, strength_from_flux(tube_ma, geometry_sr2, rough), None)
    if reference is None or composition is None:
        return Asked(body, None, None)
    return _with_reference(
        body, reference, composition, reference_um, reference_density, instrument
    )


def _with_reference(
    body: Literal["thin", "thick"],
    reference: Path,
    composition: str,
    reference_um: float | None,
    reference_density: float,
    instrument: Instrument,
) -> Asked:
    from xrfmap.amounts.reference import ReferenceBody, composition_of, measure_strength
    from xrfmap.calibration.scale_choice import scale_or_stated
    from xrfmap.io import open_point
    from xrfmap.maps.element_maps import fit_spectrum
    from xrfmap.scan import instrument_of

    known = ReferenceBody(
        composition_of(composition),
        float("inf") if reference_um is None else reference_um,
        reference_density,
    )
    data = scale_or_stated(open_point(reference, None, instrument))
    strength = measure_strength(fit_spectrum(data).found, data, known, reference.name)
    return Asked(body, strength, instrument_of(data))


def amount_lines(rows: Sequence[dict[str, Any]]) -> list[str]:
    """Write amounts for people: value, 95 % interval, unit, lines, and remarks or refusals."""
    from xrfmap.amounts.reference import CAUTION
    from xrfmap.cli.text import columns, figure
    from xrfmap.numbers import unit_text

    cells = []
    for row in rows:
        shown = [figure(row[k]) if row[k] is not None else "-" for k in ("value", "low", "high")]
        words = f"refused: {row['refused']}" if row["refused"] else row["note"]
        cells.append(
            (row["file"], row["element"], *shown, unit_text(row["unit"]), row["lines"], words)
        )
    head = ("file", "element", "amount", "from", "to (95 %)", "unit", "lines", "")
    return [*columns(head, cells, left=2), CAUTION]
