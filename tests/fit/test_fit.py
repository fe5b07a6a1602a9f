"""Poisson fit: against a slow optimiser, against least squares, and on awkward pixels."""

from __future__ import annotations

from itertools import pairwise

import numba
import numpy as np
import pytest
from line_spectra import (
    CHANNELS,
    FAMILIES,
    PAINT,
    Array,
    amplitudes,
    design,
    design_of,
    draw,
    information,
    matrix,
    model,
)
from scipy.optimize import minimize
from scipy.special import xlogy
from threadpoolctl import threadpool_limits

from xrfmap.fit.pixels import Design, FitResult, _start, fit_counts

FLOOR = 1e-4  # counts per bin that the kernel adds so that log(model) stays finite


def typical(total: float = 6000.0) -> Array:
    return design().merge(matrix() @ amplitudes(PAINT, total))


def varied(total: float, pixels: int, seed: int) -> np.ndarray:
    """Counts of pixels that differ from each other by factors in every family."""
    rng = np.random.default_rng(seed)
    mean = amplitudes({label: 30.0 for label in FAMILIES} | PAINT, total)
    factor = rng.gamma(0.7, 1 / 0.7, (pixels, len(mean)))
    factor[:, len(FAMILIES) :] = 1.0
    return rng.poisson((mean * factor) @ matrix().T).astype(np.uint16)


def cost(bins: Array, counts: Array, a: Array) -> float:
    """Poisson ``sum(mu - n ln mu)`` in double precision, up to a constant of the counts."""
    mu = bins @ a + FLOOR
    return float((mu - counts).sum() - (xlogy(counts, mu) - xlogy(counts, counts)).sum())


def newton_step(curvature: Array, slope: Array, a: Array) -> Array:
    """Newton step on the components that are free to move; none leaves zero downwards."""
    free = np.flatnonzero((a > 0) | (slope < 0))
    while True:
        step = np.zeros(len(a))
        ridge = 1e-12 * np.eye(len(free))
        step[free] = -np.linalg.solve(curvature[np.ix_(free, free)] + ridge, slope[free])
        stuck = (a[free] == 0) & (step[free] < 0)
        if not stuck.any():
            return step
        free = free[~stuck]


def reference(bins: Array, counts: Array, start: Array) -> Array:
    """Maximum of the likelihood by an active-set Newton method in double precision.

    Nothing of it is taken on trust: the conditions of Karush, Kuhn and Tucker are checked
    at the end, and the likelihood is concave, so that they prove the maximum.
    """
    a = start.copy()
    for _ in range(1000):
        mu = bins @ a + FLOOR
        unit = np.diag(information(bins, mu)) ** -0.5
        scaled = bins * unit
        slope = scaled.T @ (1 - counts / mu)
        step = newton_step((scaled * (counts / mu**2)[:, None]).T @ scaled, slope, a) * unit
        old, length, new = cost(bins, counts, a), 1.0, np.maximum(a + step, 0)
        while cost(bins, counts, new) > old + 1e-4 * slope @ ((new - a) / unit):
            length /= 2
            new = np.maximum(a + length * step, 0)
            if length < 1e-4:  # the bent path goes up: along the straight one to the first wall
                falling = step < 0
                walls = np.where(falling, a / np.where(falling, -step, 1.0), np.inf)
                new = np.where(walls <= walls.min(), 0.0, np.maximum(a + walls.min() * step, 0))
                break
        moved, a = np.abs((new - a) / unit).max(), new
        if moved < 1e-9:
            break
    slope = (bins.T @ (1 - counts / (bins @ a + FLOOR))) * unit
    # in standard errors; 1e-5 is what 16 digits of a sum over 30000 counts can resolve
    assert np.abs(slope[a > 0]).max(initial=0) < 1e-5
    assert slope[a == 0].min(initial=0) > -1e-5
    return a


@pytest.mark.parametrize("total", [300.0, 1000.0, 6000.0, 30000.0])
def test_amplitudes_are_those_of_a_slow_exact_optimiser(total):
    pixels = 150
    data = varied(total, pixels, seed=5)
    fit = fit_counts(data, design(), typical(total))
    assert fit.converged.all()
    bins, merged = design().matrix, design().merge(data)
    fitted = fit.amplitude.astype(float)
    best = np.array([reference(bins, n, a) for n, a in zip(merged, fitted, strict=True)])
    away = np.abs(fitted - best) / np.sqrt(fit.variance)
    lead = [
        cost(bins, n, a) - cost(bins, n, b) for n, a, b in zip(merged, fitted, best, strict=True)
    ]
    # the aim of the design, in every pixel and every component; the largest of 240,000 pixels was
    # 9.2e-4 off
    assert away.max() < 1e-3
    # float32 amplitudes round 30000 counts by 2e-3, against root(30000): 1e-10 of likelihood in
    # each direction; a distance of 1e-3 standard errors is 5e-7 in each of 43
    assert max(lead) < 2e-5


@pytest.mark.parametrize(
    ("total", "which"),
    [
        (300.0, [1694, 2577, 6814, 11144, 14973, 18529]),
        (1000.0, [2725, 4799]),
        (6000.0, [12792, 14815]),
    ],
)
def test_stray_counts_do_not_end_the_search_too_early(total, which):
    # pixels of 80,000 that were up to 9e-3 standard errors off: a count far from all lines makes
    # the likelihood flatter than expected there, so that the last steps look small by its curvature
    data = varied(total, 20_000, seed=11)[which]
    fit = fit_counts(data, design(), typical(total))
    bins = design().matrix
    for n, a, v in zip(design().merge(data), fit.amplitude, fit.variance, strict=True):
        best = reference(bins, n, a.astype(float))
        assert (np.abs(a - best) / np.sqrt(v)).max() < 1e-3


@pytest.mark.slow
def test_amplitudes_are_those_of_a_general_optimiser():
    # L-BFGS-B of scipy knows nothing of this problem's structure
    total = 6000.0
    data = varied(total, 8, seed=6)
    fit = fit_counts(data, design(), typical(total))
    bins = design().matrix
    for counts, a, v in zip(design().merge(data), fit.amplitude, fit.variance, strict=True):
        unit = np.sqrt(v.astype(float))
        z = minimize(
            lambda z, n=counts, u=unit: cost(bins, n, z * u),
            np.full(len(unit), counts.sum() / len(unit)) / unit,
            jac=lambda z, n=counts, u=unit: bins.T @ (1 - n / (bins @ (z * u) + FLOOR)) * u,
            bounds=[(0, None)] * len(unit),
            method="L-BFGS-B",
            options={"maxiter": 20000, "maxfun": 40000, "ftol": 1e-16, "gtol": 1e-9, "maxcor": 50},
        ).x
        # 1e-2: the optimiser itself stops there in ill-conditioned directions, as its own
        # likelihood shows, which is never the better one
        assert np.abs(a / unit - z).max() < 1e-2
        assert cost(bins, counts, a.astype(float)) < cost(bins, counts, z * unit) + 1e-5


def test_fit_is_unbiased_where_weighted_least_squares_is_not():
    # Weights 1/n favour channels that happen to have few counts: a least-squares fit of
    # Poisson counts comes out low by about one count per bin (textbook; from memory
    # e.g. P. R. Bevington, "Data reduction and error analysis", on 1/n weights).
    total, repeats = 1000.0, 1500
    true = amplitudes(PAINT, total)
    data = draw(matrix() @ true, repeats, seed=11)
    fit = fit_counts(data, design(), typical(total))
    bins = design().matrix
    counts = design().merge(data)
    weights = 1 / np.maximum(counts, 1.0)
    pairs = np.einsum("bi,bj->bij", bins, bins).reshape(len(bins), -1)
    normal = (weights @ pairs).reshape(repeats, len(true), len(true))
    squares = np.linalg.solve(normal, ((weights * counts) @ bins)[:, :, None])[:, :, 0]
    error = np.sqrt(np.diag(np.linalg.inv(information(bins, bins @ true))))
    lead = design().labels.index("Pb L")

    likelihood_bias = (fit.unbounded[:, lead].mean() - true[lead]) / error[lead]
    squares_bias = (squares[:, lead].mean() - true[lead]) / error[lead]
    # 0.1 standard errors is the aim of the design; the mean of 1500 is known to 0.026
    assert abs(likelihood_bias) < 0.1
    assert squares_bias < -0.5
    # sum of all fitted counts: at the maximum of a Poisson likelihood exactly those measured
    kept = fit.amplitude.astype(float) @ bins.sum(axis=0)
    assert kept.mean() == pytest.approx(counts.sum(axis=1).mean(), rel=1e-4)
    missing = counts.sum(axis=1).mean() - (squares @ bins.sum(axis=0)).mean()
    assert missing > 0.1 * total


def test_fitted_counts_add_up_to_those_measured():
    # follows from the likelihood equations (sum over a_k dL/da_k = 0), whatever the design
    data = varied(6000.0, 64, seed=2)
    fit = fit_counts(data, design(), typical())
    fitted = fit.amplitude.astype(float) @ design().matrix.sum(axis=0)
    seen = design().merge(data).sum(axis=1)
    # the steps stop within 2e-3 standard errors: of 77 counts (root of 6000) a small part
    assert np.abs(fitted - seen).max() < 0.5


def results(fit: FitResult) -> dict[str, np.ndarray]:
    return {name: getattr(fit, name) for name in FitResult.__dataclass_fields__}


@pytest.mark.parametrize("dtype", [np.uint16, np.uint32, np.int64, np.float32, np.float64])
def test_type_of_the_counts_does_not_matter(dtype):
    data = varied(3000.0, 70, seed=8)
    plain = results(fit_counts(data, design(), typical()))
    other = results(fit_counts(data.astype(dtype), design(), typical()))
    for name, value in plain.items():
        np.testing.assert_array_equal(other[name], value, err_msg=name)


def test_result_is_the_same_to_the_bit_for_any_blocking_and_number_of_threads():
    data = varied(2000.0, 333, seed=4)
    whole = results(fit_counts(data, design(), typical()))
    cuts = [0, 1, 64, 190, 191, 333]
    parts = [results(fit_counts(data[a:b], design(), typical())) for a, b in pairwise(cuts)]
    for name, value in whole.items():
        np.testing.assert_array_equal(np.concatenate([p[name] for p in parts]), value, err_msg=name)
    before = numba.get_num_threads()
    try:
        for threads in range(1, numba.config.NUMBA_NUM_THREADS + 1):
            numba.set_num_threads(threads)
            again = results(fit_counts(data, design(), typical()))
            for name, value in whole.items():
                np.testing.assert_array_equal(again[name], value, err_msg=name)
    finally:
        numba.set_num_threads(before)


def test_threads_of_linear_algebra_do_not_matter():
    # where pixels start; products of matrices of this size differ in the last digit by threads
    order = design().plan.order
    starts = []
    for threads in (1, 2):
        with threadpool_limits(threads, user_api="blas"):
            starts.append(_start(design().matrix[:, order], typical()))
    (weight, pairs, scale), (weight2, pairs2, scale2) = starts
    for one, other in zip((weight, *pairs, scale), (weight2, *pairs2, scale2), strict=True):
        np.testing.assert_array_equal(one, other)


def test_order_of_pixels_does_not_matter():
    data = varied(2000.0, 130, seed=9)
    order = np.random.default_rng(0).permutation(len(data))
    plain, mixed = (results(fit_counts(d, design(), typical())) for d in (data, data[order]))
    for name, value in plain.items():
        np.testing.assert_array_equal(mixed[name], value[order], err_msg=name)


def awkward() -> dict[str, np.ndarray]:
    """Pixels that no painting gives but that files hold."""
    pixels = {"nothing": np.zeros(CHANNELS)}
    for name, channel, counts in [
        ("one count in a line", 540, 1),
        ("one count in a gap", 1700, 1),
        ("one count below the range", 10, 1),
        ("all in one channel", 540, 6000),
        ("a saturated channel", 325, 65535),
    ]:
        pixels[name] = np.zeros(CHANNELS)
        pixels[name][channel] = counts
    pixels["flat"] = np.full(CHANNELS, 3.0)
    pixels["every channel full"] = np.full(CHANNELS, 65535.0)
    return pixels


@pytest.mark.parametrize("name", awkward())
@pytest.mark.parametrize("dtype", [np.uint16, np.float32])
def test_awkward_pixels_give_finite_numbers(name, dtype):
    pixel = awkward()[name].astype(dtype)[None]
    fit = fit_counts(np.concatenate([pixel, varied(6000.0, 3, seed=1).astype(dtype)]), design(),
                     typical())  # fmt: skip
    for field, value in results(fit).items():
        assert np.all(np.isfinite(value)), field
    assert np.all(fit.amplitude >= 0)
    assert np.all(fit.variance > 0)
    assert np.all(fit.null_variance > 0)
    assert fit.deviance[0] >= 0 or fit.deviance[0] == pytest.approx(0, abs=1e-2)
    # the likelihood is not worse than that of an even spread over all components
    bins, counts = design().matrix, design().merge(pixel)[0]
    if fit.converged[0]:
        even = np.full(bins.shape[1], max(counts.sum(), 0.0) / bins.sum())
        mine = fit.amplitude[0].astype(float)
        # a float32 sum of as many counts
        assert cost(bins, counts, mine) <= cost(bins, counts, even) + 1e-5 * counts.sum() + 1e-3


def test_pixel_without_counts_has_no_amplitudes():
    fit = fit_counts(np.zeros((1, CHANNELS), np.uint16), design(), typical())
    assert fit.converged.all()
    # 1e-4 counts in each of 663 bins is what the floor of the model stands for
    assert fit.amplitude.sum() < 663 * FLOOR
    assert fit.deviance[0] < 0.2


def test_neighbours_of_an_awkward_pixel_are_not_touched():
    good = varied(6000.0, 63, seed=6).astype(np.float32)
    alone = fit_counts(good, design(), typical()).amplitude
    for pixel in awkward().values():
        both = np.concatenate([pixel[None].astype(np.float32), good])
        np.testing.assert_array_equal(fit_counts(both, design(), typical()).amplitude[1:], alone)


@pytest.mark.parametrize("total", [300.0, 1000.0, 6000.0, 30000.0])
def test_pixels_converge_from_few_counts_to_many(total):
    data = varied(total, 512, seed=int(total))
    fit = fit_counts(data, design(), typical(total))
    assert fit.converged.all()
    assert np.median(fit.steps) <= 6


def test_start_does_not_move_the_maximum():
    # the likelihood is concave: `typical` sets where the steps begin, not where they end
    data = varied(3000.0, 64, seed=21)
    fits = [
        fit_counts(data, design(), guess)
        for guess in (None, typical(), np.ones(len(typical())), typical() ** 0.5)
    ]
    unit = np.sqrt(fits[0].variance)
    for fit in fits[1:]:
        # 1e-3 on either side, as against the slow optimiser
        assert np.abs((fit.amplitude - fits[0].amplitude) / unit).max() < 2e-3


def coinciding() -> Design:
    """Design in which one template occurs twice and a further one is nearly another."""
    plain = design()
    iron = plain.matrix[:, [plain.labels.index("Fe K")]]
    lead = plain.matrix[:, [plain.labels.index("Pb L")]]
    near = lead * (1 + 1e-6 * np.linspace(-1, 1, len(lead))[:, None])
    return Design(
        np.ascontiguousarray(np.hstack([plain.matrix, iron, near])),
        plain.edges,
        (*plain.labels, "Fe K again", "Pb L again"),
    )


def test_templates_that_coincide_share_their_counts():
    data = varied(6000.0, 64, seed=3)
    twice, once = coinciding(), design()
    fit, plain = (fit_counts(data, d, typical()) for d in (twice, once))
    for value in results(fit).values():
        assert np.all(np.isfinite(value))
    for label in ("Fe K", "Pb L"):
        k, again = twice.labels.index(label), twice.labels.index(f"{label} again")
        both = fit.amplitude[:, k] + fit.amplitude[:, again]
        error = np.sqrt(plain.variance[:, k])
        # The sum is as well known as ever (the stop rule allows 2e-3). What each has of it
        # is not known, and said so; a pixel may be called unfinished for that.
        assert np.abs((both - plain.amplitude[:, k]) / error).max() < 2e-3
        assert np.all(np.sqrt(fit.variance[:, k]) > 10 * error)
    others = [k for k, name in enumerate(once.labels) if name not in ("Fe K", "Pb L")]
    away = (fit.amplitude - np.pad(plain.amplitude, ((0, 0), (0, 2))))[:, others]
    assert np.abs(away / np.sqrt(plain.variance[:, others])).max() < 2e-3


def test_variance_is_that_of_the_fisher_information():
    total = 6000.0
    data = draw(matrix() @ amplitudes(PAINT, total), 8, seed=31)
    fit = fit_counts(data, design(), typical(total))
    bins = design().matrix
    for k in range(len(data)):
        mu = bins @ fit.amplitude[k].astype(float) + FLOOR
        exact = np.diag(np.linalg.inv(information(bins, mu)))
        # entries of a column below 1e-3 of its largest are left out of the information
        assert fit.variance[k] == pytest.approx(exact, rel=5e-3)


def test_variance_grows_with_a_family_as_its_slope_says():
    # v(a) from the information with and without a few counts of the family, no slope in it
    total = 6000.0
    mean = matrix() @ amplitudes(PAINT, total)
    fit = fit_counts(draw(mean, 200, seed=33), design(), typical(total))
    bins, mu = design().matrix, design().merge(mean)
    slopes = np.median(fit.null_slope, axis=0)
    for family, spread in {"Ba L": 3, "Sn L": 2, "Cl K": 2, "As K": 3, "Sr K": 1}.items():
        k = design().labels.index(family)
        step = 1e-3 * float(np.median(np.sqrt(fit.variance[:, k])))
        v = [np.linalg.inv(information(bins, mu + d * bins[:, k]))[k, k] for d in (0.0, step)]
        exact = (v[1] - v[0]) / step
        # the fit has its own continuum and neighbours, which bound at zero lifts a little
        assert slopes[k] == pytest.approx(exact, rel=0.15), family
        assert exact > spread  # far from the 1 of a line that stands alone


def test_deviance_is_that_of_the_counts():
    data = varied(6000.0, 16, seed=12)
    fit = fit_counts(data, design(), typical())
    counts = design().merge(data)
    for k in range(len(data)):
        exact = 2 * cost(design().matrix, counts[k], fit.amplitude[k].astype(float))
        assert fit.deviance[k] == pytest.approx(exact, rel=1e-4)  # float32 sums of 663 bins


def test_deviance_has_its_expected_mean_where_counts_are_many():
    # Wilks: chi-square with bins - components degrees of freedom, for many counts a bin
    total = 1e6
    data = draw(matrix() @ amplitudes(PAINT, total), 200, seed=14)
    fit = fit_counts(data.astype(np.float32), design(), typical(total))
    bins, parts = design().matrix.shape
    # 0.5 %: the mean of 200 has a standard error of sqrt(2 / 620 / 200); the rest is room for
    # the components that are held at zero (about 15 of 43)
    assert fit.deviance.mean() / (bins - parts + 15) == pytest.approx(1.0, abs=0.03)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"edges": np.arange(5)}, "edges has 5 entries, expected 4"),
        ({"labels": ("a",)}, "1 labels for 2 components"),
        ({"matrix": np.array([[1.0, -1], [0, 1], [1, 1]])}, "design must be finite and >= 0"),
        ({"matrix": np.array([[1.0, np.nan], [0, 1], [1, 1]])}, "design must be finite and >= 0"),
        ({"matrix": np.array([[1.0, 0], [0, 0], [1, 0]])}, "without any expected counts: b"),
    ],
)
def test_impossible_designs_are_refused(change, message):
    sound = {"matrix": np.ones((3, 2)), "edges": np.arange(4), "labels": ("a", "b")}
    with pytest.raises(ValueError, match=message):
        Design(**{**sound, **change})


@pytest.mark.parametrize("shape", [(CHANNELS,), (2, 100), (2, 2, CHANNELS)])
def test_counts_of_a_wrong_shape_are_refused(shape):
    with pytest.raises(ValueError, match=r"counts has shape \(.*expected \(pixels, >= "):
        fit_counts(np.zeros(shape, np.uint16), design())


def test_channels_beyond_the_design_are_left_alone():
    data = varied(3000.0, 8, seed=15)
    longer = np.concatenate([data, np.full((8, 500), 77, np.uint16)], axis=1)
    a, b = (fit_counts(d, design(), typical()).amplitude for d in (data, longer))
    np.testing.assert_array_equal(a, b)


def test_merging_keeps_counts():
    data = varied(3000.0, 8, seed=16)
    edges = design().edges
    np.testing.assert_array_equal(
        design().merge(data).sum(axis=1), data[:, edges[0] : edges[-1]].sum(axis=1)
    )
    assert design_of(model()).merge(data[0]).shape == (len(edges) - 1,)


@pytest.mark.parametrize("total", [10.0, 300.0])
def test_stray_counts_where_no_template_reaches_break_nothing(total):
    # a count where the model is nearly zero has a curvature of up to 1e8: all others are lost
    # to single precision beside it
    plan = design()
    mean = plan.matrix @ amplitudes(PAINT, total)
    rng = np.random.default_rng(9)
    merged = Design(plan.matrix, np.arange(len(plan.matrix) + 1), plan.labels)
    counts = rng.poisson(np.broadcast_to(mean, (4000, len(mean))))
    counts += rng.random(counts.shape) < 3 / len(mean)
    fit = fit_counts(counts, merged, mean)
    for values in (fit.amplitude, fit.unbounded, fit.variance, fit.null_variance):
        assert np.all(np.isfinite(values))
    assert np.all(fit.converged)
    # all counts are explained: that is a property of the maximum (a scaled model would do better)
    explained = (merged.matrix @ fit.amplitude.T).sum(axis=0)
    np.testing.assert_allclose(explained, counts.sum(axis=1), atol=0.1, rtol=2e-3)
