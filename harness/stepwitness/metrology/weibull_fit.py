"""Maximum likelihood of the Weibull distribution for many samples at once, on the logarithms of life.

ln t of a Weibull life (scale η, shape β) is a least extreme value with location μ = ln η and inverse scale β. Rows are
samples: x shape (k, n) logarithms, d shape (k, n) 1.0 for a failure and 0.0 for a suspension. Nothing is checked here;
`life` does that, and says what a row must have for a maximum to exist.
"""

from __future__ import annotations

import numpy as np

from stepwitness.metrology.inputs import Floats

STEPS = 100
CLOSE = 1e-12


def fit_logs(x: Floats, d: Floats) -> tuple[Floats, Floats]:
    """(μ, β) of each row, shape (k,): Newton's steps in ln β on the profile likelihood, which has one maximum."""
    failures = d.sum(axis=1)
    top = x.max(axis=1, keepdims=True)
    y = x - top
    mean_failed = (y * d).sum(axis=1) / failures
    log_b = np.log(1.28 / (y.std(axis=1) + 1e-300))
    for _ in range(STEPS):
        b = np.exp(log_b)
        weights = np.exp(b[:, np.newaxis] * y)
        s0 = weights.sum(axis=1)
        m1 = (weights * y).sum(axis=1) / s0
        m2 = (weights * y * y).sum(axis=1) / s0
        gradient = m1 - 1.0 / b - mean_failed
        step = np.clip(-gradient / ((m2 - m1**2) * b + 1.0 / b), -1.0, 1.0)
        log_b = log_b + step
        if float(np.max(np.abs(step))) < CLOSE:
            break
    b = np.exp(log_b)
    return top[:, 0] + np.log(np.exp(b[:, np.newaxis] * y).sum(axis=1) / failures) / b, b


def log_likelihood(x: Floats, d: Floats, location: Floats, b: Floats) -> Floats:
    """Log-likelihood of each row in logarithms of life (that of life itself is less by Σ d·x)."""
    z = b[:, np.newaxis] * (x - location[:, np.newaxis])
    return np.asarray(d.sum(axis=1) * np.log(b) + (d * z).sum(axis=1) - np.exp(np.minimum(z, 700.0)).sum(axis=1))


def likelihood_at_shape(x: Floats, d: Floats, b: Floats) -> Floats:
    """The greatest log-likelihood of each row with its shape held at `b`, shape (k,)."""
    top = x.max(axis=1, keepdims=True)
    total = np.exp(b[:, np.newaxis] * (x - top)).sum(axis=1)
    return log_likelihood(x, d, top[:, 0] + np.log(total / d.sum(axis=1)) / b, b)


def likelihood_at_quantile(x: Floats, d: Floats, log_quantile: Floats, reduced: float) -> Floats:
    """The greatest log-likelihood of each row with one quantile held.

    Parameters
    ----------
    log_quantile : shape (k,), ln of the quantile. `reduced` : ln(−ln(1 − p)) of its p; 0 holds the scale.
    """
    y = x - log_quantile[:, np.newaxis]
    failures = d.sum(axis=1)
    sum_failed = (d * y).sum(axis=1)
    scale = np.exp(reduced)
    log_b = np.log(1.28 / (y.std(axis=1) + np.abs(y.mean(axis=1)) + 1e-300))
    for _ in range(STEPS):
        b = np.exp(log_b)
        weights = scale * np.exp(np.minimum(b[:, np.newaxis] * y, 600.0))
        gradient = failures + b * (sum_failed - (weights * y).sum(axis=1))
        curvature = b * np.abs(sum_failed - (weights * y).sum(axis=1)) + b * b * (weights * y * y).sum(axis=1)
        step = np.clip(gradient / curvature, -1.0, 1.0)
        log_b = log_b + step
        if float(np.max(np.abs(step))) < CLOSE:
            break
    b = np.exp(log_b)
    z = b[:, np.newaxis] * y + reduced
    return np.asarray(failures * np.log(b) + (d * z).sum(axis=1) - np.exp(np.minimum(z, 700.0)).sum(axis=1))
