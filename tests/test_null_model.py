"""Spread of an estimated variance: a closed form, and simulated repeats."""

import numpy as np
import pytest

from xrfmap.null_model import null_spread


@pytest.mark.parametrize("ratio", [1.0, 4.0])
def test_one_peak_beside_a_background_region(ratio):
    # on the peak B + S counts, beside it `ratio` B: the net counts n - m / ratio have variance
    # v = B (1 + 1 / ratio) without the peak (Currie 1968), and v is estimated from n + m counts
    # of mean B (1 + ratio), since without a peak both tell B: var(v) = v^2 / (B (1 + ratio))
    matrix = np.array([[1.0, 1.0], [0.0, ratio]])
    for counts in (50.0, 1000.0):
        typical = np.array([counts, ratio * counts])
        variance = counts * (1 + 1 / ratio)
        wanted = variance / (counts * (1 + ratio))
        assert null_spread(matrix, typical, 1)[0] == pytest.approx(wanted, rel=1e-4)


def test_it_does_not_depend_on_the_counts():
    rng = np.random.default_rng(4)
    matrix = rng.uniform(0.1, 1, (30, 5))
    typical = matrix @ rng.uniform(1, 3, 5)
    some = null_spread(matrix, typical, 3)
    assert some.shape == (3,)
    np.testing.assert_allclose(null_spread(matrix, 40 * typical, 3), some, rtol=1e-6)


def test_variance_of_an_absent_line_scatters_as_stated():
    # a Gaussian line on a sloping background, many counts: the variance of its area, worked
    # out from a fit without the line in each repeat, scatters by spread * variance
    rng = np.random.default_rng(2)
    x = np.linspace(-1, 1, 40)
    matrix = np.column_stack([np.exp(-((x / 0.15) ** 2) / 2), np.ones(40), 1 + x])
    mean = matrix @ [0.0, 80.0, 30.0]
    seen = []
    for counts in rng.poisson(mean, (4000, 40)):
        weight = matrix[:, 1:] / mean[:, None]
        line = np.linalg.solve(weight.T @ matrix[:, 1:], weight.T @ counts)
        fitted = matrix[:, 1:] @ line
        seen.append(np.linalg.inv((matrix / fitted[:, None]).T @ matrix)[0, 0])
    # 4000 repeats give a variance to 2.2 %; three of those, and 2 % for the curvature of 1 / mu
    wanted = null_spread(matrix, mean, 1)[0] * np.mean(seen)
    assert np.var(seen) == pytest.approx(wanted, rel=0.09)
