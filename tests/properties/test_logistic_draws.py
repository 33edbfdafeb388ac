"""Draws fitted together must be what each draw gives when it is fitted alone."""

import numpy as np
import pytest

from outcomes.statistics.logistic import logistic, logistic_draws


def people(n: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Two measurements and a rare level, which some draws lack or which separates the outcome."""
    rng = np.random.default_rng(seed)
    rare = rng.random(n) < 0.08
    rare[:2] = True
    x = np.column_stack([np.ones(n), rng.normal(size=(n, 2)), rare])
    y = (rng.random(n) < 1 / (1 + np.exp(0.5 - x[:, 1] - rare))).astype(float)
    y[:2] = 0.0, 1.0
    return x, y


@pytest.mark.parametrize("penalty", ["none", "firth"])
@pytest.mark.parametrize("n", [30, 200])
def test_draws_fitted_together_are_those_fitted_alone(n, penalty):
    x, y = people(n, seed=n)
    counts = np.random.default_rng(1).multinomial(n, np.full(n, 1 / n), size=80).astype(float)
    start = logistic(x, y, penalty=penalty).coefficients
    together, converged = logistic_draws(x, y, counts, start=start, penalty=penalty)
    for draw in range(len(counts)):
        alone = logistic(x, y, weights=counts[draw], start=start, penalty=penalty)
        assert converged[draw] == alone.converged
        if alone.converged:
            np.testing.assert_allclose(together[draw], alone.coefficients, atol=1e-7)
    lacking = counts[:, x[:, 3] == 1].sum(axis=1) == 0
    assert lacking.any() == (n == 30)
    assert converged.any()


def test_no_draws_give_no_fits():
    x, y = people(30, seed=2)
    together, converged = logistic_draws(x, y, np.empty((0, 30)), start=np.zeros(4))
    assert together.shape == (0, 4)
    assert len(converged) == 0
