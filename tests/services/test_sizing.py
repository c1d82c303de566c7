"""A box of a real site is sized by its kept posterior, and agrees with what-if."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from kept_site import DAY, Site, made, with_fewer_draws

from monitor.records import WhatIf
from monitor.services.sizing import SizeQuestion, Sizing, sizing
from monitor.services.supposing import Supposing, supposing

NIGHT = made(60)[1] + timedelta(days=40)


def test_a_known_box_is_sized_as_what_if_forecasts_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with_fewer_draws(monkeypatch)
    site = Site.begun(tmp_path, names=["left"])
    site.arrive(NIGHT)
    with site.stores(read_only=True) as stores:
        box = supposing(stores.readings, stores.ledger, site.boxes, "left", NIGHT, kept=stores.outlooks)
    assert isinstance(box, Supposing)
    [declared] = site.boxes
    asked = SizeQuestion(declared, "silica_regular", declared.humidity_limit, NIGHT, grams=200.0)
    told: Sizing = sizing(asked, box=box)
    assert told.known
    ahead = box.forecast(WhatIf(desiccant="silica_regular", dry_mass_g=200.0)).cross_at.p50
    assert ahead is not None
    rows = {row.what: row.months.p50 for row in told.rows if row.months is not None}
    assert rows["asked"] * 365.2425 / 12.0 == pytest.approx((ahead - NIGHT) / DAY, rel=0.2)  # other futures, few draws
    assert 1.5 * rows["asked"] < rows["half the leak"] < 2.6 * rows["asked"]
    assert rows["another limit"] > rows["asked"]
