"""An independent sampler on the same posterior: medians within 5 %, interval ends within 10 % of the interval.

emcee 3 (Foreman-Mackey, Hogg, Lang, Goodman 2013, PASP 125:306) walks where ours draws by importance. Conductances
are compared as they are, humidity at the start in units of its own interval.
"""

from __future__ import annotations

import os

import numpy as np
import pytest
from simulated_boxes import Truth, simulated_box

from monitor.inference.fit.fit import estimate
from monitor.inference.fit.importance import sample
from monitor.inference.model.kalman import run
from monitor.inference.model.prior import Unknown

emcee = pytest.importorskip("emcee")

BOXES = int(os.environ.get("SICCAST_EMCEE_BOXES", "2"))
TRUTHS = [
    Truth(conductance=g, dry_mass_g=m, bias=b, floor=f, step=0.01 if f else 0.001)
    for g, m, b, f in [
        (0.2, 100.0, 0.0, None), (0.05, 60.0, 0.01, 0.10), (0.1, 150.0, -0.01, None), (0.4, 200.0, 0.015, None),
        (0.03, 50.0, 0.0, None), (0.6, 300.0, -0.015, 0.10), (0.15, 80.0, 0.02, None), (0.08, 120.0, 0.0, 0.15),
        (0.3, 90.0, 0.005, None), (0.02, 100.0, 0.0, None), (0.25, 250.0, -0.005, 0.10), (0.12, 70.0, 0.01, None),
    ]
]  # fmt: skip


@pytest.mark.parametrize("which", range(BOXES))
@pytest.mark.filterwarnings("ignore")
def test_emcee_finds_the_same_conductance(which: int) -> None:
    record, now_s, _ = simulated_box(TRUTHS[which], seen_days=25, seed=which)
    posterior = estimate(record, now_s, count=1000)
    problem, prior = posterior.problem, posterior.problem.prior
    drawn = sample(prior, lambda theta: run(problem, theta)[0], 12_000, np.random.default_rng(5))

    def log_probability(theta: np.ndarray) -> np.ndarray:
        z = (theta - prior.mean) / prior.sd
        return -0.5 * (z * z).sum(axis=1) + np.nan_to_num(run(problem, theta)[0], nan=-1e9)

    walkers = 200
    rng = np.random.default_rng(which)
    start = posterior.theta[rng.choice(len(posterior.theta), walkers)] + 1e-3 * prior.sd * rng.standard_normal(
        (walkers, len(prior.mean))
    )
    np.random.seed(which)
    walk = emcee.EnsembleSampler(walkers, len(prior.mean), log_probability, vectorize=True, moves=emcee.moves.DEMove())
    walk.run_mcmc(start, 1500, progress=False, skip_initial_state_check=True)
    theirs = np.exp(walk.get_chain(discard=500, flat=True)[:, Unknown.log_conductance])
    order = np.argsort(drawn.theta[:, Unknown.log_conductance])
    ours = np.exp(
        np.interp([0.05, 0.5, 0.95], np.cumsum(drawn.weights[order]), drawn.theta[order, Unknown.log_conductance])
    )
    low, middle, high = np.quantile(theirs, [0.05, 0.5, 0.95])
    assert ours[1] == pytest.approx(middle, rel=0.05)
    assert ours[0] == pytest.approx(low, rel=0.10)
    assert ours[2] == pytest.approx(high, rel=0.10)
