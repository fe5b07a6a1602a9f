"""Drift of gain and zero during a scan, from the strong lines of one block of rows after another.

What comes out is an energy scale per row, to be put into the templates; counts are never
moved from channel to channel, which would spoil their Poisson statistics.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import xarray as xr

from xrfmap.calibration.line_catalogue import catalogue
from xrfmap.calibration.scale_model import NOISE_RANGE, judge
from xrfmap.calibration.scale_refine import linearised
from xrfmap.calibration.scale_templates import Templates, merge
from xrfmap.errors import CalibrationError
from xrfmap.physics.lineshape import EnergyScale
from xrfmap.running.one_thread import in_one_thread
from xrfmap.scan import instrument_of
from xrfmap.settings import Instrument
from xrfmap.spectra.sums import row_spectra

__all__ = ["row_scale", "track_gain"]

Array = npt.NDArray[np.float64]

BLOCK_COUNTS = 1e5  # places a gain to about 0.02 %
BLOCKS_MAX = 64  # follows a drift over an hour to a minute
CHECK_BLOCKS, CHECK_STEPS = 5, 2  # a first look, so that a steady scan costs little
STEPS = 5
REST = 3e-5  # relative change of the gain; a block leaves it uncertain by 2e-4
WALKS_GAIN = np.concatenate([[0.0], np.geomspace(3e-6, 3e-3, 16)])
WALKS_ZERO_KEV = np.array([0.0, 1e-4, 3e-4, 1e-3, 3e-3])
"""Standard deviations tried for the change from block to block; the likeliest is taken."""
EVIDENCE = 20.0  # twice the log-likelihood ratio; chi-square with 2 dof exceeds it once in 2e4


@dataclass(frozen=True, eq=False)
class _Block:
    """Scale of some rows relative to the scale of the scan."""

    middle: float
    change: Array  # gain (relative), zero [keV]
    covariance: Array
    widths: Array  # noise^2, Fano
    widths_covariance: Array


def _borders(counts: Array, most: int = BLOCKS_MAX) -> npt.NDArray[np.intp]:
    """Rows where blocks of about equal counts begin, and the end."""
    total = float(counts.sum())
    number = int(np.clip(total / BLOCK_COUNTS, 1, min(most, len(counts))))
    part = np.cumsum(counts) / max(total, 1.0)
    inner = np.searchsorted(part, np.arange(1, number) / number) + 1
    return np.unique(np.concatenate([[0], inner, [len(counts)]])).astype(np.intp)


def _follow(
    spectrum: Array,
    templates: Templates,
    start: EnergyScale,
    base: EnergyScale,
    steps: int = STEPS,
) -> tuple[EnergyScale, _Block]:
    """Scale of one block, beginning with that of the block before."""
    scale = start
    data = merge(spectrum, 0.75 * float(scale.fwhm(3.0)) / scale.kev_per_channel)
    allowed = judge(data, templates, scale, 0).amounts > 0
    for _ in range(steps):
        solved = linearised(data, templates, scale, allowed)
        moved = solved.moved(scale)
        rest = abs(moved.kev_per_channel / scale.kev_per_channel - 1) < REST
        scale = moved
        if rest:
            break
    places, width_cov = solved.covariance[:2, :2], solved.covariance[2:, 2:]
    turn = np.array([[0.0, 1.0 / base.kev_per_channel], [1.0, 0.0]])  # to (relative gain, zero)
    change = np.array(
        [scale.kev_per_channel / base.kev_per_channel - 1, scale.zero_kev - base.zero_kev]
    )
    widths = np.array([scale.noise_kev**2, scale.fano])
    return scale, _Block(0.0, change, turn @ places @ turn.T, widths, width_cov)


def _smooth(blocks: list[_Block], walk: Array) -> tuple[Array, Array, float]:
    """Random walk through the blocks: states, covariances, log-likelihood (Kalman, RTS)."""
    state, spread = blocks[0].change, blocks[0].covariance
    ahead: list[tuple[Array, Array]] = []
    filtered = [(state, spread)]
    likelihood = 0.0
    for block in blocks[1:]:
        ahead.append((state, spread + np.diag(walk**2)))
        total = ahead[-1][1] + block.covariance
        surprise = block.change - state
        gain = ahead[-1][1] @ np.linalg.inv(total)
        likelihood -= 0.5 * float(
            surprise @ np.linalg.solve(total, surprise) + np.log(np.linalg.det(total))
        )
        state = state + gain @ surprise
        spread = (np.eye(2) - gain) @ ahead[-1][1]
        filtered.append((state, spread))
    result = [filtered[-1]]
    for (mean, cov), (predicted, wide) in zip(filtered[-2::-1], ahead[::-1], strict=True):
        back = cov @ np.linalg.inv(wide)
        later, later_cov = result[-1]
        result.append((mean + back @ (later - predicted), cov + back @ (later_cov - wide) @ back.T))
    result.reverse()
    return np.array([m for m, _ in result]), np.array([c for _, c in result]), likelihood


def _best_walk(blocks: list[_Block]) -> tuple[Array, float]:
    """Likeliest changes per block, and how much likelier they are than none."""
    tried = [np.array([g, z]) for g in WALKS_GAIN for z in WALKS_ZERO_KEV]
    value = [_smooth(blocks, walk)[2] for walk in tried]
    best = int(np.argmax(value))
    return tried[best], 2 * (value[best] - value[0])


def _at_rest(blocks: list[_Block], scale: EnergyScale) -> EnergyScale:
    """Widths within blocks, where the drift between them does not broaden the peaks."""
    weights = [np.linalg.inv(b.widths_covariance) for b in blocks]
    covariance = np.linalg.inv(np.sum(weights, axis=0))
    noise2, fano = covariance @ np.sum(
        [w @ b.widths for w, b in zip(weights, blocks, strict=True)], axis=0
    )
    noise = float(np.sqrt(max(noise2, NOISE_RANGE[0] ** 2)))
    return replace(
        scale,
        noise_kev=noise,
        fano=float(fano),
        noise_kev_err=float(np.hypot(np.sqrt(covariance[0, 0]) / (2 * noise), scale.noise_kev_err)),
        fano_err=float(np.hypot(np.sqrt(covariance[1, 1]), scale.fano_err)),
    )


@in_one_thread
def track_gain(
    scan: xr.Dataset, scale: EnergyScale | None = None, instrument: Instrument | None = None
) -> xr.Dataset:
    """Follow gain and zero from row to row of a scan.

    Parameters
    ----------
    scan : xarray.Dataset
        Scan; a lazy one is read once, block by block.
    scale : EnergyScale, optional
        Scale of the whole scan; by default the one in the attributes.
    instrument : Instrument, optional
        Tube and detector; by default what the scan says.

    Returns
    -------
    xarray.Dataset
        ``gain_factor(y)`` and ``zero_shift(y)`` [keV] with ``gain_factor_err``,
        ``zero_shift_err``: channel c of row y lies at ``zero + zero_shift + gain * gain_factor
        * c``. Attributes: the scale of the scan with the peak width freed from the drift,
        ``drift_found`` (0 or 1) and ``drift_because``. Use :func:`row_scale` for one row.

    Raises
    ------
    CalibrationError
        If the scan is a point spectrum or has no energy scale.

    Notes
    -----
    A first look compares five blocks of rows; only where they disagree is the drift followed
    in full (so that a steady scan costs little; a swing that is back within a fifth of the
    scan, over and over, is not seen). Rows are then taken together until they hold about 1e5
    counts. Gain and zero of these blocks
    are a random walk seen through their errors; its steps are the likeliest ones and its
    estimate is that of a Kalman filter with the backward pass of Rauch, Tung and Striebel,
    AIAA J. 3, 1445 (1965), from memory. Where a steady scale is about as likely, all rows
    share one.
    """
    if "y" not in scan["counts"].dims:
        raise CalibrationError("drift is followed from row to row; a point spectrum has no rows")
    base = scale or _scale_of(scan)
    known = instrument or instrument_of(scan)
    spectra = row_spectra(scan)
    templates = Templates.of(catalogue(known), known.detector.material)
    counted = spectra.sum(axis=1)
    blocks = _blocks_of(spectra, _borders(counted, CHECK_BLOCKS), templates, base, CHECK_STEPS)
    walk, evidence = _best_walk(blocks)
    if evidence > EVIDENCE:
        blocks = _blocks_of(spectra, _borders(counted), templates, base, STEPS)
        walk, evidence = _best_walk(blocks)
    found = evidence > EVIDENCE
    state, spread, _ = _smooth(blocks, walk if found else np.zeros(2))
    middles = np.array([b.middle for b in blocks])
    rows = np.arange(len(spectra))
    columns = {
        "gain_factor": (1.0 + np.interp(rows, middles, state[:, 0]), "1"),
        "gain_factor_err": (np.interp(rows, middles, np.sqrt(spread[:, 0, 0])), "1"),
        "zero_shift": (np.interp(rows, middles, state[:, 1]), "keV"),
        "zero_shift_err": (np.interp(rows, middles, np.sqrt(spread[:, 1, 1])), "keV"),
    }
    return xr.Dataset(
        {name: ("y", value, {"units": unit}) for name, (value, unit) in columns.items()},
        coords={"y": scan["y"]},
        attrs={
            **_at_rest(blocks, base).to_attrs(),
            "drift_found": int(found),
            "drift_because": _because(found, columns["gain_factor"][0], len(blocks), evidence),
        },
    )


def _blocks_of(
    spectra: Array,
    borders: npt.NDArray[np.intp],
    templates: Templates,
    base: EnergyScale,
    steps: int,
) -> list[_Block]:
    """Scale of each block of rows, one after the other."""
    blocks: list[_Block] = []
    here = base
    for first, last in pairwise(borders):
        here, block = _follow(spectra[first:last].sum(axis=0), templates, here, base, steps)
        blocks.append(replace(block, middle=0.5 * (first + last - 1)))
    return blocks


def _scale_of(scan: xr.Dataset) -> EnergyScale:
    try:
        return EnergyScale.from_attrs(scan.attrs)
    except ValueError as err:
        raise CalibrationError(str(err)) from err


def _because(found: bool, factor: Array, blocks: int, evidence: float) -> str:
    if blocks == 1:
        return "the scan holds too few counts to follow a drift; one scale for all rows"
    if not found:
        return f"{blocks} blocks of rows agree with one scale"
    return (
        f"the gain of {blocks} blocks of rows runs from {factor.min():.5f} to "
        f"{factor.max():.5f} of its mean (likelihood ratio against a steady scale "
        f"exp({evidence / 2:.0f}))"
    )


def row_scale(drift: xr.Dataset, row: int) -> EnergyScale:
    """Energy scale of one row.

    Parameters
    ----------
    drift : xarray.Dataset
        From :func:`track_gain`.
    row : int
        Index along y.

    Returns
    -------
    EnergyScale
        Errors are those of the scan and of the drift together.
    """
    base = EnergyScale.from_attrs(drift.attrs)
    one = drift.isel(y=row)
    gain = base.kev_per_channel * float(one["gain_factor"])
    return replace(
        base,
        zero_kev=base.zero_kev + float(one["zero_shift"]),
        kev_per_channel=gain,
        zero_kev_err=float(np.hypot(base.zero_kev_err, float(one["zero_shift_err"]))),
        kev_per_channel_err=float(
            np.hypot(base.kev_per_channel_err, gain * float(one["gain_factor_err"]))
        ),
    )
