"""What is carried from episode to episode: by what stayed in the box, with a drift, and what it does to an estimate."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_normal
from simulated_boxes import CLOSED_AT, Truth, entry, room_hours, true_humidity

from monitor.inference.evidence.continuity import Stayed, Swap, stayed_in
from monitor.inference.evidence.hours import Hours
from monitor.inference.fit.posterior import Record, _predictive_factor
from monitor.inference.model.box_prior import CONDUCTANCE_PER_AIR_CHANGE, with_leak
from monitor.inference.model.carried import CAPACITY_DRIFT, CARRIED, LINKED, Carried, with_carried
from monitor.inference.model.prior import Assumptions, Normal, Prior, Unknown
from monitor.inference.shelf import first_fit
from monitor.physics.materials import desiccant
from monitor.physics.numerics import FloatArray
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.records import Box, EntryKind, LedgerEntry, SensorSpec, Spool

DAY_S = 86_400.0
BOX = Box("made", 10.0, 0.20, "gasket", SensorSpec(0.04), (Spool("PLA", 2000.0, 2),))
ALL_STAYED = Stayed(beads=True, sensor=True, at_once=True, swaps=())
START_S = CLOSED_AT.timestamp()


def the_prior() -> Prior:
    shape = desiccant("silica_regular").isotherm
    normals = {u: Normal(0.1 * u, 0.4) for u in list(Unknown)[:9]}
    return Prior(normals, (shape, shape), 100.0, True, 4.0)


def carried_of(prior: Prior, *, sd: float | None = None, mean: float | None = None) -> Carried:
    """As the prior itself, or known better."""
    sds = np.array([prior.unknowns[u].sd if sd is None else sd for u in CARRIED])
    means = np.array([prior.unknowns[u].mean if mean is None else mean for u in CARRIED])
    return Carried(START_S, START_S + 50 * DAY_S, "silica_regular", 100.0, means, np.diag(sds**2), True, True)


def start_from(
    carried: Carried, stayed: Stayed = ALL_STAYED, desiccant: str = "silica_regular", swapped_share: float = 0.0
) -> Prior:
    prior = replace(the_prior(), swapped_share=swapped_share)
    return with_carried(prior, carried, stayed, box=BOX, desiccant=desiccant, assumptions=Assumptions())


class TestDrift:
    def test_where_nothing_was_learned_the_usual_prior_stays(self) -> None:
        base = the_prior()
        prior = start_from(carried_of(base), replace(ALL_STAYED, at_once=False))
        assert prior.mean == pytest.approx(base.mean)
        assert prior.sd == pytest.approx(base.sd)
        assert prior.correlation == pytest.approx(np.eye(9))

    def test_what_was_known_exactly_is_known_to_its_drift(self) -> None:
        base, known = the_prior(), carried_of(the_prior(), sd=1e-9)
        sd = dict(zip(sorted(Unknown)[:9], start_from(known).sd, strict=True))
        assert 0.0 < sd[Unknown.log_dry_mass] < sd[Unknown.log_capacity_scale] < sd[Unknown.isotherm_shape]
        assert all(sd[u] < base.unknowns[u].sd for u in CARRIED if u not in LINKED)
        assert all(sd[u] == pytest.approx(base.unknowns[u].sd) for u in LINKED)

    def test_it_fades_over_episodes_in_which_nothing_is_seen(self) -> None:
        base, known = the_prior(), carried_of(the_prior(), sd=0.01, mean=1.0)
        for _ in range(400):
            prior = start_from(known, replace(ALL_STAYED, at_once=False))
            columns = [prior.unknowns[u] for u in CARRIED]
            covariance = np.diag([one.sd**2 for one in columns])
            known = replace(known, mean=np.array([one.mean for one in columns]), covariance=covariance)
        at = Unknown.log_capacity_scale
        assert prior.unknowns[at].sd == pytest.approx(base.unknowns[at].sd, rel=0.01)
        assert prior.unknowns[at].mean == pytest.approx(base.unknowns[at].mean, abs=0.05)

    def test_unknowns_that_were_known_together_stay_so(self) -> None:
        known = carried_of(the_prior())
        a, b = CARRIED.index(Unknown.log_capacity_scale), CARRIED.index(Unknown.log_dry_mass)
        covariance = known.covariance.copy()
        covariance[a, b] = covariance[b, a] = -0.95 * np.sqrt(covariance[a, a] * covariance[b, b])
        prior = start_from(replace(known, covariance=covariance))
        assert prior.correlation is not None
        assert -0.95 < prior.correlation[Unknown.log_capacity_scale, Unknown.log_dry_mass] < -0.9

    def test_masses_are_told_against_what_is_declared_now(self) -> None:
        known = replace(carried_of(the_prior(), sd=1e-3, mean=0.0), dry_mass_g=102.0)
        prior = start_from(known)
        usual = start_from(replace(known, dry_mass_g=100.0))
        gap = prior.mean[Unknown.log_dry_mass] - usual.mean[Unknown.log_dry_mass]
        assert gap == pytest.approx(np.log(1.02), rel=1e-3)


class TestWhatStayed:
    def test_other_beads_start_from_the_usual_prior(self) -> None:
        base, known = the_prior(), carried_of(the_prior(), sd=0.01, mean=1.0)
        for prior in (start_from(known, replace(ALL_STAYED, beads=False)), start_from(known, desiccant="mol_sieve")):
            assert not prior.weighed_before
            for unknown in (Unknown.log_capacity_scale, Unknown.isotherm_shape, Unknown.log_dry_mass):
                assert prior.unknowns[unknown].mean == pytest.approx(base.unknowns[unknown].mean)
                assert prior.unknowns[unknown].sd == pytest.approx(base.unknowns[unknown].sd)

    def test_beads_that_nobody_weighed_start_from_the_usual_prior(self) -> None:
        known = replace(carried_of(the_prior(), sd=0.01, mean=1.0), weighed=False)
        prior, base = start_from(known), the_prior()
        assert prior.unknowns[Unknown.log_capacity_scale] == pytest.approx(base.unknowns[Unknown.log_capacity_scale])
        assert prior.unknowns[Unknown.log_slow_lag].sd < base.unknowns[Unknown.log_slow_lag].sd

    def test_spools_over_a_salt_start_from_the_usual_prior(self) -> None:
        known = replace(carried_of(the_prior(), sd=0.01, mean=-1.0), follows_air=False)
        prior, base = start_from(known), the_prior()
        for unknown in (Unknown.log_slow_humidity, Unknown.log_slow_capacity, Unknown.log_slow_lag):
            assert prior.unknowns[unknown] == pytest.approx(base.unknowns[unknown])

    @pytest.mark.parametrize(("note", "wetter"), [("dried PLA", False), ("wet PLA", True)])
    def test_a_spool_swapped_in_late_brings_its_own_humidity(self, note: str, wetter: bool) -> None:
        known = carried_of(the_prior(), sd=0.1, mean=float(np.log(0.2)))
        at = Unknown.log_slow_humidity
        alike, long_ago, lately = (
            start_from(known, replace(ALL_STAYED, swaps=swaps)).unknowns[at]
            for swaps in ((), (Swap(100 * DAY_S, note),), (Swap(60.0, note),))
        )
        assert alike.mean == pytest.approx(np.log(0.2))
        assert long_ago.mean == pytest.approx(alike.mean, abs=1e-6)
        half = 0.5 * (0.2 + (0.70 if wetter else 0.07))
        assert lately.mean == pytest.approx(np.log(half), abs=0.01)

    def test_a_spool_that_the_filter_followed_is_not_mixed_in_twice(self) -> None:
        """But one that came with the next beads, which was in no bin of the earlier episode."""
        known, at = carried_of(the_prior(), sd=0.1, mean=float(np.log(0.2))), Unknown.log_slow_humidity
        lately, with_beads = (
            start_from(known, replace(ALL_STAYED, swaps=(Swap(seconds, "wet"),)), swapped_share=0.5).unknowns[at]
            for seconds in (60.0, 0.0)
        )
        assert lately.mean == pytest.approx(np.log(0.2))
        assert with_beads.mean == pytest.approx(np.log(0.5 * (0.2 + 0.70)), abs=0.01)

    def test_spools_of_long_ago_are_anywhere(self) -> None:
        known = carried_of(the_prior(), sd=0.1, mean=-1.0)
        prior = start_from(known, replace(ALL_STAYED, at_once=False)).unknowns[Unknown.log_slow_humidity]
        base = the_prior().unknowns[Unknown.log_slow_humidity]
        assert (prior.mean, prior.sd) == pytest.approx((base.mean, base.sd))

    @pytest.mark.parametrize(
        ("filling", "same"),
        [
            ({"method": "oven_120C_3h"}, True),
            ({"dry_mass_g": 101.0, "desiccant": "silica_regular"}, True),
            ({"dry_mass_g": 110.0}, False),
            ({"desiccant": "mol_sieve"}, False),
            ({"method": "new_sealed_pack"}, False),
            ({"note": "charge B"}, False),
            ({"note": "charge A"}, True),
        ],
    )
    def test_beads_are_the_same_by_what_was_logged(self, filling: dict[str, object], same: bool) -> None:
        first = entry(EntryKind.charge, 0.0, desiccant="silica_regular", dry_mass_g=100.0, note="charge A")
        entries = (first, entry(EntryKind.recharge, 50.0, **filling), entry(EntryKind.recharge, 90.0))
        assert stayed(entries, 50.0, 60.0).beads is same

    def test_spools_are_where_they_were_by_what_was_logged(self) -> None:
        entries = (
            entry(EntryKind.charge, 0.0, desiccant="silica_regular", dry_mass_g=100.0),
            entry(EntryKind.spool_swap, 49.0, note="PLA"),
            entry(EntryKind.recharge, 50.0),
            entry(EntryKind.spool_swap, 51.0),
        )
        after = stayed(entries, 50.0, 60.0)
        assert [round(s.before_end_s / DAY_S) for s in after.swaps] == [1]
        assert after.at_once
        assert not stayed(entries, 58.0, 60.0).at_once

    def test_a_spool_that_came_with_the_next_beads_is_mixed_in(self) -> None:
        """Within two hours of them; later, it is an event of the later episode."""
        first = entry(EntryKind.charge, 0.0, desiccant="silica_regular", dry_mass_g=100.0)
        for hours, counts in ((0.1, True), (2.0, True), (2.1, False)):
            swapped = entry(EntryKind.spool_swap, 50.0 + hours / 24.0)
            found = stayed((first, entry(EntryKind.recharge, 50.0), swapped), 50.0, 60.0).swaps
            assert [one.before_end_s for one in found] == ([0.0] if counts else [])

    def test_a_sensor_stays_till_another_is_logged(self) -> None:
        first = entry(EntryKind.charge, 0.0, desiccant="silica_regular", dry_mass_g=100.0)
        for day, same in ((10.0, True), (50.5, False), (59.0, False), (61.0, True)):  # the last is still to come
            entries = (first, entry(EntryKind.recharge, 50.0), entry(EntryKind.sensor_swap, day))
            assert stayed(entries, 50.0, 60.0).sensor is same

    def test_a_new_sensor_has_a_bias_of_its_own(self) -> None:
        known, at = _linked_by(-0.8, LINKED[1], Unknown.log_capacity_scale), Unknown.sensor_bias
        for same in (True, False):
            correlation = start_from(known, replace(ALL_STAYED, sensor=same)).correlation
            assert correlation is not None
            assert bool(correlation[at, Unknown.log_capacity_scale] < -0.5) is same


def _linked_by(correlation: float, one: Unknown, other: Unknown) -> Carried:
    known = carried_of(the_prior())
    a, b = CARRIED.index(one), CARRIED.index(other)
    covariance = known.covariance.copy()
    covariance[a, b] = covariance[b, a] = correlation * np.sqrt(covariance[a, a] * covariance[b, b])
    return replace(known, covariance=covariance)


@pytest.mark.parametrize("linked", [True, False])
def test_errors_that_two_episodes_share_count_once(linked: bool) -> None:
    """A linear problem whose errors are known: readings tell leak less capacity, and capacity plus the bias; twice.

    Squared errors are as large as told, 1 on average over made-up boxes. Without the links two episodes of the same box
    with the same sensor pass for two boxes that agree, and errors are larger than told.
    """
    rng, at = np.random.default_rng(5), [Unknown.log_conductance, Unknown.sensor_bias, Unknown.log_capacity_scale]
    places, lid = [CARRIED.index(u) for u in at], 0.2
    seen, noise = np.array([[1.0, 0.0, -1.0], [0.0, 1.0, 1.0]]), 0.05
    base, squares = the_prior(), []
    for _ in range(1500):
        truth = base.mean[at] + base.sd[at] * rng.standard_normal(3)
        mean, covariance = _conditioned(base.mean[at], np.diag(base.sd[at] ** 2), seen, noise, truth, rng)
        known = carried_of(base)
        known.mean[places] = mean
        known.covariance[np.ix_(places, places)] = covariance if linked else np.diag(np.diag(covariance))
        of_leak = (
            float(mean[0]) - np.log(CONDUCTANCE_PER_AIR_CHANGE * BOX.volume_liter),
            np.hypot(lid, covariance[0, 0] ** 0.5),
        )
        prior = with_leak(start_from(known), BOX, of_leak)
        held = base.unknowns[Unknown.log_capacity_scale]
        kept = np.sqrt(1.0 - (CAPACITY_DRIFT / held.sd) ** 2)
        truth[2] = held.mean + kept * (truth[2] - held.mean) + CAPACITY_DRIFT * rng.standard_normal()
        truth[0] += lid * rng.standard_normal()
        assert prior.correlation is not None
        joint = (prior.correlation * np.outer(prior.sd, prior.sd))[np.ix_(at, at)]
        mean, covariance = _conditioned(prior.mean[at], joint, seen, noise, truth, rng)
        squares.append((mean - truth) ** 2 / np.diag(covariance))
    leak, bias, capacity = np.mean(squares, axis=0)
    if linked:
        assert [leak, bias, capacity] == pytest.approx([1.0, 1.0, 1.0], abs=0.11)  # three standard errors
    else:
        assert min(leak, capacity) > 1.5


def _conditioned(  # noqa: PLR0917
    mean: FloatArray,
    covariance: FloatArray,
    seen: FloatArray,
    noise: float,
    truth: FloatArray,
    rng: np.random.Generator,
) -> tuple[FloatArray, FloatArray]:
    """Mean and covariance of a normal after readings that are linear in it."""
    shown = seen @ truth + noise * rng.standard_normal(len(seen))
    gain = covariance @ seen.T @ np.linalg.inv(seen @ covariance @ seen.T + noise**2 * np.eye(len(seen)))
    return mean + gain @ (shown - seen @ mean), covariance - gain @ seen @ covariance


def stayed(entries: tuple[LedgerEntry, ...], start_day: float, now_day: float) -> Stayed:
    start_s, now_s = (START_S + day * DAY_S for day in (start_day, now_day))
    until_s = START_S + 50.0 * DAY_S - 1.0
    return stayed_in(entries, box="made", from_s=START_S, until_s=until_s, start_s=start_s, now_s=now_s)


def test_a_joint_prior_is_a_normal_of_that_covariance() -> None:
    prior = the_prior()
    correlation = np.eye(9)
    correlation[2, 4] = correlation[4, 2] = 0.8
    joint = replace(prior, correlation=correlation)
    covariance = correlation * np.outer(prior.sd, prior.sd)
    drawn = joint.drawn(4000, np.random.default_rng(2))
    assert joint.log_density(drawn) == pytest.approx(multivariate_normal(prior.mean, covariance).logpdf(drawn))
    assert np.cov(drawn, rowvar=False) == pytest.approx(covariance, abs=0.02)
    wider = joint.with_change_point(log_factor=Normal(0, 1), day=Normal(9, 3), log_duration=Normal(1, 2))
    more = np.column_stack([drawn, np.tile(wider.mean[9:], (len(drawn), 1))])
    alone = -0.5 * 3 * np.log(2 * np.pi) - np.log(wider.sd[9:]).sum()
    assert wider.log_density(more) == pytest.approx(joint.log_density(drawn) + alone)
    assert wider.without_change_point().log_density(drawn) == pytest.approx(joint.log_density(drawn))


@pytest.mark.parametrize("count", [20, 75])
def test_few_draws_leave_open_how_far_another_lies(count: int) -> None:
    """One more draw of a normal of six unknowns lies 6 squared standard deviations off, on average: by the widened
    covariance of those seen it does, by their own covariance further (Hotelling's T²: p (n² - 1) / (n (n - p - 2))).
    """
    rng, own, wider = np.random.default_rng(8), [], []
    for _ in range(4000):
        seen, other = rng.standard_normal((count, 6)), rng.standard_normal(6)
        off = other - seen.mean(axis=0)
        own.append(float(off @ np.linalg.solve(np.cov(seen, rowvar=False), off)))
        wider.append(own[-1] / _predictive_factor(count, 6))
    assert np.mean(wider) == pytest.approx(6.0, rel=0.04)
    assert np.mean(own) > 6.5


def weak_beads_weighed_twice() -> tuple[Record, float]:
    """Beads that hold 70 % of what the book says, weighed dry and full after weeks; then ten days with them dried."""
    days = (45, 10)
    parts, entries, at = [], [], 0
    vapor, warm = room_hours(sum(days))
    for n, length in enumerate(days):
        hours = slice(24 * at, 24 * (at + length))
        truth = Truth(conductance=0.2, dry_mass_g=70.0, start_humidity=0.03)
        course = true_humidity(truth, vapor[hours], warm[hours])
        held = 70.0 * np.asarray(desiccant("silica_regular").isotherm.loading_g_per_g(course[[0, -1]], 21.0))
        kind = EntryKind.recharge if n else EntryKind.charge
        told = {} if n else {"desiccant": "silica_regular", "dry_mass_g": 100.0}
        weighed = {"mass_g": 100.0 + float(held[0]), "scale_resolution_g": 0.5}
        entries.append(entry(kind, at, method="oven_120C_3h", **told, **weighed))
        if not n:
            full = {"mass_g": 100.0 + float(held[1]), "scale_resolution_g": 0.5}
            entries.append(entry(EntryKind.weighing, length - 0.1, **full))
        parts.append(course)
        at += length
    shown = np.concatenate(parts) + 0.002 * np.random.default_rng(1).standard_normal(24 * at)
    first_hour = int(START_S // 3600)
    saturation = np.asarray(saturation_vapor_pressure_pa(warm)) / 1e3
    box = Box("made", 10.0, 0.20, "gasket", SensorSpec(0.02, 0.001))
    record = Record(box, Hours(first_hour, warm, shown), Hours(first_hour, warm, vapor / saturation), tuple(entries))
    return record, START_S + at * DAY_S


def test_beads_weighed_in_one_episode_give_grams_in_the_next() -> None:
    """True by construction: 30 % less than the book, of which the second episode alone saw no pair of weights."""
    record, now_s = weak_beads_weighed_twice()
    found = {}
    for carried in (True, False):
        assumptions = Assumptions(carried=carried)
        earlier = first_fit._earlier_episodes(record, now_s, assumptions)
        posterior = first_fit.estimate(record, now_s, carried=earlier.carried, assumptions=assumptions)
        held = posterior.theta[:, Unknown.log_capacity_scale]
        found[carried] = float(held.mean()), float(held.std()), posterior.problem.prior.weighed_before
    assert found[True][0] == pytest.approx(np.log(0.7), abs=0.12)
    assert found[True][1] < 0.6 * found[False][1]
    assert abs(found[False][0]) < 0.15  # the book again
    assert found[True][2]
    assert not found[False][2]


SPREADS = st.floats(1e-4, 20.0)
WHAT_STAYED = st.builds(Stayed, beads=st.booleans(), sensor=st.booleans(), at_once=st.booleans(), swaps=st.just(()))


@settings(max_examples=100, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    rank=st.integers(1, len(CARRIED)),
    stayed=WHAT_STAYED,
    first=SPREADS,
    second=SPREADS,
)
def test_a_carried_prior_can_be_drawn_from_whatever_its_leak(
    seed: int, rank: int, stayed: Stayed, first: float, second: float
) -> None:
    """Its correlation has a Cholesky root; a leak that was replaced again leaves no trace."""
    rng = np.random.default_rng(seed)
    loads = rng.standard_normal((len(CARRIED), rank))
    joint = loads @ loads.T + 1e-6 * np.eye(len(CARRIED))  # nearly of lower rank: unknowns all but told together
    scale = 10.0 ** rng.uniform(-4.0, 0.7, len(CARRIED)) / np.sqrt(np.diag(joint))
    known = replace(carried_of(the_prior()), covariance=joint * np.outer(scale, scale))
    prior = start_from(known, stayed)
    between = with_leak(prior, BOX, (0.0, first))
    at_once, after = (with_leak(each, BOX, (0.1, second)) for each in (prior, between))
    for each in (prior, between, at_once):
        assert each.correlation is not None
        np.linalg.cholesky(each.correlation)
        assert np.diag(each.correlation) == pytest.approx(1.0)
    assert after.correlation == pytest.approx(at_once.correlation, abs=1e-9)
