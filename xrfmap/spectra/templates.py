"""Expected spectra of single components: line families, tube scatter, continuum, pile-up.

A family is one column: the relative strengths of its lines follow from the tube
spectrum, the photoionisation cross-sections, the yields with their cascade, the way
out through the paint, and the detector. A column is normalised so that its amplitude
is the family's net counts: the counts in its full-energy peaks, tail included; escape
peaks and shelf come on top of that.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from xrfmap.physics.detector import efficiency
from xrfmap.physics.lineshape import EnergyScale, Response, self_convolution
from xrfmap.physics.scatter import scatter
from xrfmap.physics.stack import Layer, Stack
from xrfmap.physics.tube import excitation
from xrfmap.settings import Instrument
from xrfmap.spectra.columns import compton_hump, line_shapes
from xrfmap.spectra.continuum_edges import USUAL_FILM, weakened
from xrfmap.spectra.emitters import LIGHT, Emitter
from xrfmap.spectra.m_lines import USUAL_M, MState
from xrfmap.spectra.paint_edges import PaintEdge
from xrfmap.spectra.row_scales import Shift

__all__ = ["SpectrumModel", "continuum_knots", "hats", "merge_edges", "scatter_carrier"]

Array = npt.NDArray[np.float64]

DEFAULT_COVER = 0.3  # a paint layer weakens its own main line by roughly a quarter


def scatter_carrier(
    instrument: Instrument, anode: str | None, scale: EnergyScale, channels: int
) -> tuple[Array, Array]:
    """Shape of the tube continuum that light matter scatters into the detector.

    Returns
    -------
    whole : ndarray, shape (channels,)
        Per channel, largest value one; at least 1e-3, so that the basis can also hold
        what is not scatter (charge losses, bremsstrahlung of photoelectrons).
    elastic : ndarray, shape (channels,)
        What of it was scattered without loss of energy.
    """
    board = Stack([Layer(LIGHT, 0.2)])
    seen = scatter(board, excitation(instrument, anode), instrument)
    seen_share = efficiency(seen.energy_kev, instrument)
    energy = scale.energy(np.arange(channels))
    whole, elastic = (
        np.interp(energy, seen.energy_kev, part * seen_share, left=0.0, right=0.0)
        for part in (seen.continuum, seen.elastic)
    )
    top = whole.max()
    return np.maximum(whole / top, 1e-3), np.asarray(elastic / top)


def continuum_knots(energy_range: tuple[float, float], pieces: int) -> Array:
    """Knots [keV] spread evenly in the square root of the energy, ends included.

    Peaks widen and features of the continuum stretch about as the root of the energy.
    """
    low, high = np.sqrt(energy_range[0]), np.sqrt(energy_range[1])
    return np.asarray(np.linspace(low, high, pieces) ** 2)


def hats(energy_kev: Array, knots: Array) -> Array:
    """Piecewise linear basis over `knots`, shape (n, len(knots)); sums to one inside."""
    eye = np.eye(len(knots))
    columns = [np.interp(energy_kev, knots, row) for row in eye]
    return np.asarray(np.stack(columns, axis=1))


def merge_edges(
    scale: EnergyScale, energy_range: tuple[float, float], channels: int
) -> npt.NDArray[np.int64]:
    """Borders of bins no wider than a third of a peak.

    Returns
    -------
    ndarray of int, shape (bins + 1,)
        First channel of each bin, and the end. Bins of FWHM/3 keep 99.5 % of the
        information on a lone peak that stands out, 97.4 % on one hidden in a background;
        overlaps need more of the shape, see ``tests/spectra/test_templates.py``.
    """
    first = int(np.clip(np.ceil(scale.channel(energy_range[0])), 0, channels - 2))
    last = int(np.clip(np.floor(scale.channel(energy_range[1])), first + 1, channels))
    third = scale.fwhm(scale.energy(np.arange(last))) / 3 / scale.kev_per_channel
    widths = np.maximum(third.astype(np.int64), 1).tolist()
    edges = [first]
    while edges[-1] < last:
        edges.append(min(edges[-1] + widths[edges[-1]], last))
    return np.array(edges, dtype=np.int64)


@dataclass(frozen=True, eq=False)
class SpectrumModel:
    """Everything that turns amplitudes into an expected spectrum.

    Attributes
    ----------
    scale : EnergyScale
        Energy scale and peak width.
    response : Response
        Tail and shelf.
    instrument : Instrument
        For escape and efficiency.
    emitters : tuple of Emitter
        Line families and scatter peaks, one column each.
    channels : int
        Length of a spectrum.
    energy_range : tuple of float
        Fitted range. [keV]
    cover : mapping of str to float
        Optical depth before each emitter, by label; :data:`DEFAULT_COVER` where missing.
    log_factors : mapping of str to ndarray
        Logarithm of a factor per line, by emitter label; 0 where missing.
    m_states : mapping of str to MState
        What paint does to the lines of M families, by label; :data:`xrfmap.spectra.m_lines.USUAL_M`
        where missing.
    paint_edges : mapping of str to PaintEdge
        Absorption edges of the paint between the lines of families, by label.
    compton_shift : float
        Factor on the Compton energy loss (angles are never quite as declared).
    compton_fwhm_kev : float
        Broadening of the Compton hump beyond the detector. [keV]
    carrier : ndarray, shape (channels,), optional
        Shape that the continuum basis modulates; flat by default.
    elastic : ndarray, shape (channels,), optional
        Part of the carrier that was scattered without loss. Heavy paint scatters more of it
        than light matter; the K edge of the anode, a step in the tube's continuum, shows
        there unshifted and would else pass for a line.
    elastic_log : float
        Logarithm of a factor on that part.
    absorbers : mapping of str to float
        Elements whose absorption edges show in the continuum, each with its mass relative
        to that of light matter, as :func:`xrfmap.spectra.continuum_edges.weakened` has it.
    film_log : float
        Logarithm of the light matter that is mixed with them, see there.
    knots : ndarray
        Knots of the continuum. [keV]
    pile_up : ndarray, shape (channels,), optional
        Shape of pile-up, summing to one; left out where not given.
    mixed_pile_up : ndarray, shape (channels,), optional
        Shape of pile-up if all pixels were alike, summing to one.
    pile_up_mixing : float
        Share of `mixed_pile_up` in the pile-up; groups of pixels are never quite alike.
    self_piled : tuple of str
        Strong families with a further column for the pile-up of their own lines: where only
        some of the pixels hold them it is stronger than in the mean of all.
    shifts : tuple of (float, float, float)
        Where the gain drifted during the scan: weight, factor on the gain and shift of the
        zero [keV] of each scale that peaks are summed over; empty for one scale.
    own_shifts : mapping of str to tuple of Shift
        The same for emitters, by label, that lie unevenly over the rows of such a scan;
        `shifts` where missing.
    left_out : ndarray of bool, shape (channels,), optional
        Channels inside the range that no fit looks at, since their counters ran full.

    Raises
    ------
    ValueError
        Where two emitters have one label: no counts could tell two equal columns apart.
    """

    scale: EnergyScale
    response: Response
    instrument: Instrument
    emitters: tuple[Emitter, ...]
    channels: int
    energy_range: tuple[float, float]
    knots: Array
    cover: Mapping[str, float]
    log_factors: Mapping[str, Array] = field(default_factory=dict)
    m_states: Mapping[str, MState] = field(default_factory=dict)
    paint_edges: Mapping[str, PaintEdge] = field(default_factory=dict)
    compton_shift: float = 1.0
    compton_fwhm_kev: float = 0.1
    carrier: Array | None = None
    elastic: Array | None = None
    elastic_log: float = 0.0
    absorbers: Mapping[str, float] = field(default_factory=dict)
    film_log: float = USUAL_FILM
    pile_up: Array | None = None
    mixed_pile_up: Array | None = None
    pile_up_mixing: float = 0.0
    self_piled: tuple[str, ...] = ()
    shifts: tuple[Shift, ...] = ()
    own_shifts: Mapping[str, tuple[Shift, ...]] = field(default_factory=dict)
    left_out: npt.NDArray[np.bool_] | None = None

    def __post_init__(self) -> None:
        if len({e.label for e in self.emitters}) < len(self.emitters):
            count = Counter(e.label for e in self.emitters)
            twice = ", ".join(label for label, n in count.items() if n > 1)
            raise ValueError(f"a model holds each family once, found more than one {twice}")

    def with_emitters(self, emitters: Sequence[Emitter]) -> SpectrumModel:
        """Return the same model with other emitters, each label once (else ValueError)."""
        return replace(self, emitters=tuple(emitters))

    def at(self, scale: EnergyScale) -> SpectrumModel:
        """Return the same model at one energy scale."""
        return replace(self, scale=scale, shifts=(), own_shifts={})

    @property
    def labels(self) -> tuple[str, ...]:
        """Names of the columns."""
        extra = ["pile-up"] if self.pile_up is not None else []
        extra += [f"pile-up {e.label}" for e in self._self_piled()]
        pieces = [f"continuum {k:.2f} keV" for k in self.knots]
        return (*(e.label for e in self.emitters), *extra, *pieces)

    def column(self, emitter: Emitter) -> Array:
        """Spectrum of one emitter for one net count, shape (channels,)."""
        tail = self.response.tail_fraction, self.response.tail_slope_kev
        shifts = self.own_shifts.get(emitter.label, self.shifts)
        if emitter.kind == "compton":
            return compton_hump(
                emitter, self.scale, *tail, self.channels, self.compton_shift,
                self.compton_fwhm_kev, self.cover.get(emitter.label, 0.0), shifts,
            )  # fmt: skip
        shares = self.shares(emitter)
        material = self.instrument.detector.material
        drawn = line_shapes(emitter, self.scale, *tail, material, self.channels, shifts)
        return drawn.column(shares, self.response.shelf_fraction)

    def shares(self, emitter: Emitter) -> Array:
        """Shares of an emitter's lines as the model has them, shape (lines,); sum to one."""
        element = emitter.kind == "element"
        factor = self.log_factors.get(emitter.label)
        edge = self.paint_edges.get(emitter.label)
        if edge is not None:
            factor = edge.log_factor(emitter) + (0.0 if factor is None else factor)
        return emitter.shares(
            self.cover.get(emitter.label, DEFAULT_COVER if element else 0.0),
            factor,
            self.m_states.get(emitter.label, USUAL_M) if element else None,
        )

    def pile_up_column(self) -> Array:
        """Shape of pile-up, shape (channels,); zeros where there is none."""
        if self.pile_up is None:
            return np.zeros(self.channels)
        if self.mixed_pile_up is None:
            return self.pile_up
        mixed = self.pile_up_mixing * (self.mixed_pile_up - self.pile_up)
        return np.asarray(np.maximum(self.pile_up + mixed, 0.0))

    def _self_piled(self) -> list[Emitter]:
        return [e for e in self.emitters if e.label in self.self_piled]

    def self_pile_up(self, emitter: Emitter) -> Array:
        """Pile-up of the lines of one family among themselves, summing to one if seen."""
        own = self.column(emitter)
        piled = self_convolution(own, own, self.scale)
        return np.asarray(piled / max(float(piled.sum()), 1e-300))

    def whole_pile_up(self, amplitude: Array) -> Array | None:
        """All pile-up of a fit as one shape that sums to one; None where there is none.

        Parameters
        ----------
        amplitude : ndarray, shape (components,)
            In the order of :attr:`labels`. [counts]
        """
        if self.pile_up is None:
            return None
        first = len(self.emitters)
        own = self._self_piled()
        parts = [self.pile_up_column(), *(self.self_pile_up(e) for e in own)]
        whole = np.column_stack(parts) @ amplitude[first : first + len(parts)]
        total = float(whole.sum())
        return np.asarray(whole / total) if total > 0 else self.pile_up_column()

    def continuum(self) -> Array:
        """Continuum basis, shape (channels, len(knots)): hats times the carrier.

        Heavy elements in the paint show in it by their edges, see
        :mod:`xrfmap.spectra.continuum_edges`.
        """
        basis = hats(self.scale.energy(np.arange(self.channels)), self.knots)
        shape = np.ones(self.channels) if self.carrier is None else self.carrier
        elastic = self.elastic
        if elastic is not None:
            shape = shape + np.expm1(self.elastic_log) * elastic
            elastic = np.exp(self.elastic_log) * elastic
        if self.absorbers:
            shape = weakened(
                shape, elastic, self.absorbers, self.film_log, self.scale, self.instrument
            )
        return np.asarray(basis * shape[:, None])

    def matrix(self) -> Array:
        """All columns, shape (channels, components), in the order of :attr:`labels`."""
        columns = [self.column(e) for e in self.emitters]
        if self.pile_up is not None:
            columns.append(self.pile_up_column())
        columns += [self.self_pile_up(e) for e in self._self_piled()]
        # differences of distribution functions may round to -1e-317, which no design takes
        return np.maximum(np.column_stack([*columns, self.continuum()]), 0.0)
