"""The year of a site, week by week, under several policies at once: the same chance, other days of drying."""

from __future__ import annotations

import numpy as np

from monitor.physics.materials import desiccant
from monitor.physics.numerics import FloatArray
from tests.exact_balance import Climate
from tests.exact_balance import follow as follow_exactly
from tests.worth.compiled_balance import follow
from tests.worth.site import STEP_HOURS, STEPS_A_DAY, STEPS_A_WEEK, Site

_ROOM_SHARE = 0.6
"""A spool that comes in is at rest with so much of the humidity of its room: most lay in a box or near a heater."""
_BOARD_BEGINS, _SPOOLS_BEGIN = 0.35, 0.25
_AS_EXACT = 1e-6
"""The compiled balance is as near to that of the tests: a thousandth of the finest step of a sensor."""


class Truth:
    """Where every box stands under every policy; boxes along the first axis, policies along the second."""

    def __init__(self, site: Site, policies: int) -> None:
        self._site, self.week = site, 0
        shape = len(site.boxes), policies
        self._isotherm = desiccant(site.beads).isotherm
        self.humidity = np.empty(shape)
        self._slow = [np.empty(shape) for _ in site.physics.slow]
        for loading, sorbent, humidity in zip(
            self._slow[1:], site.physics.slow[1:], [_SPOOLS_BEGIN] * 4 + [_BOARD_BEGINS], strict=True
        ):
            loading[:] = sorbent.capacity_scale * sorbent.isotherm.loading_g_per_g(humidity, 21.0)
        self._dry(np.ones(shape, bool))

    def pass_week(self, dried: FloatArray) -> FloatArray:
        """Dry these beads, if any, let a week pass, and return the humidity of its steps (steps × boxes × policies)."""
        site, week = self._site, self.week
        if week:
            self._dry(dried)
        dried = dried | (week == 0)
        self._swap_spools()
        some = slice(STEPS_A_WEEK * week, STEPS_A_WEEK * (week + 1))
        seal = site.seal[some][:, :, None] * np.where(dried, site.badly_seated[week][:, None], 1.0)
        replaced = np.repeat(site.replaced[some][:, :, None], dried.shape[1], axis=2)
        replaced[0] = np.where(dried, 1.0, replaced[0])
        climate = Climate(
            np.full(STEPS_A_WEEK, STEP_HOURS / 24.0), 1e3 * site.outside_kpa[some], site.box_degc[some][:, :, None],
            replaced, seal,
        )  # fmt: skip
        found, slow = follow(site.physics, climate, self.humidity, self._slow)
        if not week:
            exact = follow_exactly(site.physics, climate, self.humidity, tuple(self._slow)).relative_humidity
            np.testing.assert_allclose(found, exact, atol=_AS_EXACT)
        self.humidity, self._slow = found[-1], slow
        self.week += 1
        return found

    def _dry(self, dried: FloatArray) -> None:
        """Put the charge where drying gets it; what lies deep in the bed was dried with it."""
        after = np.broadcast_to(self._site.dried_humidity[self.week][:, None], dried.shape)
        self.humidity = np.where(dried, after, self.humidity)
        deep = self._site.physics.slow[0].capacity_scale * self._isotherm.loading_g_per_g(after, 21.0)
        self._slow[0] = np.where(dried, deep, self._slow[0])

    def _swap_spools(self) -> None:
        site, step = self._site, STEPS_A_WEEK * self.week
        swapped = site.swapped[self.week][:, None]
        for k, sorbent in enumerate(site.physics.slow[1:-1], 1):
            held = sorbent.isotherm.loading_g_per_g(_ROOM_SHARE * self._room_humidity(step), 21.0)
            loading = sorbent.capacity_scale * held
            self._slow[k] = np.where(swapped & (sorbent.dry_mass_g > 0.0), loading, self._slow[k])

    def _room_humidity(self, step: int) -> float:
        from monitor.physics.saturation import saturation_vapor_pressure_pa

        site = self._site
        return float(1e3 * site.outside_kpa[step] / np.asarray(saturation_vapor_pressure_pa(site.room_degc[step])))


def days_over(humidity: FloatArray, limits: FloatArray) -> FloatArray:
    """Return on how many days of a week the mean of the air was over the limit (boxes × policies)."""
    daily = humidity.reshape(-1, STEPS_A_DAY, *humidity.shape[1:]).mean(axis=1)
    return (daily > limits[:, None]).sum(axis=0)
