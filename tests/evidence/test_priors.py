"""The prior that an earphone's variances are moderated by."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import polygamma

from ohmshift.evidence.priors import fit_prior, invert_trigamma, log_bias

LIMMA = "R limma 3.54.1, tests/references/limma_prior.txt"


@pytest.mark.source("independent", ref=LIMMA)
def test_prior_is_the_textbook_one_without_widening(limma: dict[str, np.ndarray]) -> None:
    variance = limma["variances"][:, None]
    prior, degrees = fit_prior(variance, np.full_like(variance, 4.0), widening=0)
    np.testing.assert_allclose(prior, limma["var.prior"], rtol=1e-9)
    np.testing.assert_allclose(degrees, limma["df.prior"], rtol=1e-9)


@pytest.mark.source("analytic", ref="a larger spread between earphones means fewer degrees of freedom, s0^2 following")
@given(widening=st.floats(0.01, 3))
def test_widening_takes_degrees_from_the_prior(limma: dict[str, np.ndarray], widening: float) -> None:
    variance = limma["variances"][:, None]
    degrees = np.full_like(variance, 4.0)
    textbook, wide, wider = (fit_prior(variance, degrees, widening=w)[1][0] for w in (0, widening, 2 * widening))
    assert wider < wide < textbook


@pytest.mark.source("analytic", ref="variances exactly as far apart as chance puts them, or nearer, tell of no spread")
def test_earphones_alike_give_an_endless_prior() -> None:
    prior, degrees = fit_prior(np.full((6, 2), 0.04), np.full((6, 2), 4.0), widening=0)
    assert np.isinf(degrees).all()
    bias = float(polygamma(0, 2) - np.log(2))
    np.testing.assert_allclose(prior, 0.04 * np.exp(-bias))


@pytest.mark.source("independent", ref=LIMMA)
def test_inverse_trigamma(limma: dict[str, np.ndarray]) -> None:
    np.testing.assert_allclose(invert_trigamma(limma["trigamma.argument"]), limma["trigammaInverse"], rtol=1e-8)


@pytest.mark.source("analytic", ref="an inverse undoes its function")
@given(x=st.floats(0.01, 1e4))
def test_inverse_trigamma_undoes_trigamma(x: float) -> None:
    assert float(invert_trigamma(polygamma(1, np.array([x])))[0]) == pytest.approx(x, rel=1e-6)


@pytest.mark.source(
    "analytic", ref="digamma(1) = -0.5772156649 (Euler's constant), digamma(1/2) = -0.5772156649 - 2 ln 2"
)
def test_log_bias() -> None:
    np.testing.assert_allclose(
        log_bias(np.array([2.0, 1.0])), [-0.5772156649, -0.5772156649 - 2 * np.log(2) + np.log(2)], atol=1e-10
    )


@pytest.mark.source(
    "analytic", ref="log-variances of normal data average ln(variance) + bias; 20,000 draws, 5 standard errors"
)
def test_log_bias_is_that_of_chi_square() -> None:
    draws = np.log(np.random.default_rng(1).chisquare(4, 20_000) / 4)
    assert float(draws.mean()) == pytest.approx(float(log_bias(np.array(4.0))), abs=5 * draws.std() / np.sqrt(20_000))
