"""`/metrics`, read by the Prometheus client's own parser of OpenMetrics; no model is asked for it."""

from __future__ import annotations

import sqlite3
import sys
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from answers_by_hand import AS_OF
from in_process import InProcess, in_process
from prometheus_client import Metric
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from shelf_on_page import HOSTILE, keeper_by_hand, make_shelf

from monitor.records import Assessment, BoxState
from monitor.settings import Shelf
from monitor.store.listener_lock import lock_shelf
from monitor.web.access.secret import SecretFile
from monitor.web.access.who import Access
from monitor.web.app import create_app

PHONE = "192.168.7.20"


@dataclass
class Scraped:
    shelf: Shelf
    access: Access
    ask: InProcess
    answers: Sequence[Assessment]

    def families(self) -> dict[str, Metric]:
        answer = self.ask.get("/metrics")
        assert answer.status_code == 200, answer.text
        return {family.name: family for family in text_string_to_metric_families(answer.text)}


@pytest.fixture(scope="module")
def scraped(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Scraped]:
    folder: Path = tmp_path_factory.mktemp("scraped")
    shelf, access = make_shelf(folder), Access(SecretFile(folder))
    keeper = keeper_by_hand(shelf)
    with in_process(create_app(shelf, keeper, access=access)) as ask:
        assert keeper.newest is not None
        yield Scraped(shelf, access, ask, keeper.newest.answers)


def value(family: Metric, **labels: str) -> float:
    [found] = [sample.value for sample in family.samples if sample.labels == labels]
    return found


def test_the_parser_of_the_standard_client_reads_every_family(scraped: Scraped) -> None:
    answer = scraped.ask.get("/metrics")
    assert answer.headers["content-type"] == "application/openmetrics-text; version=1.0.0; charset=utf-8"
    assert answer.text.endswith("# EOF\n")
    families = scraped.families()
    assert len(families) >= 16
    for name, family in families.items():
        assert family.documentation, name
        assert family.unit == "" or name.endswith(f"_{family.unit}")
    assert families["siccast_box_leak_grams_per_day_per_kilopascal"].unit == "grams_per_day_per_kilopascal"
    assert families["siccast_rejected_messages"].type == "counter"


def test_each_box_is_told_in_base_units_as_the_pages_have_it(scraped: Scraped) -> None:
    found = scraped.families()
    answers = {a.box.name: a for a in scraped.answers}
    soon = answers["soon"]
    assert soon.forecast is not None
    assert soon.leak is not None
    assert value(found["siccast_box_humidity_ratio"], box="soon") == 0.17
    assert value(found["siccast_box_temperature_celsius"], box="soon") == 21.5
    assert value(found["siccast_box_reading_age_seconds"], box="soon") == 20 * 60
    assert value(found["siccast_box_humidity_limit_ratio"], box="soon") == 0.20
    for family, values in (
        ("siccast_box_capacity_used_ratio", soon.forecast.capacity_used),
        ("siccast_box_headroom_grams", soon.forecast.headroom_g),
        ("siccast_box_leak_grams_per_day_per_kilopascal", soon.leak.conductance_g_per_day_per_kpa),
    ):
        for point in ("p05", "p50", "p95"):
            assert value(found[family], box="soon", point=point) == getattr(values, point)
    for days in (7, 30):
        chance = value(found["siccast_box_over_limit_chance_ratio"], box="soon", within_days=str(days))
        assert chance == soon.forecast.chance_within(days)
    crossing = soon.forecast.cross_at.p50
    assert crossing is not None
    assert value(found["siccast_box_crossing_timestamp_seconds"], box="soon", point="p50") == crossing.timestamp()
    assert crossing > AS_OF


def test_a_box_is_in_one_state_and_what_is_not_known_is_left_out(scraped: Scraped) -> None:
    found = scraped.families()
    states = found["siccast_box_state"]
    for answer in scraped.answers:
        mine = [sample for sample in states.samples if sample.labels["box"] == answer.box.name]
        assert len(mine) == len(BoxState)
        [one] = [sample.labels["siccast_box_state"] for sample in mine if sample.value == 1]
        assert one == answer.state.value.replace(",", "").replace(" ", "_")
    for family in found.values():
        assert not any(sample.value != sample.value for sample in family.samples), "no number is no sample"
    boxes = {sample.labels["box"] for sample in found["siccast_box_capacity_used_ratio"].samples}
    assert boxes == {"over", "soon", "far"}
    limits = {sample.labels["box"] for sample in found["siccast_box_humidity_limit_ratio"].samples}
    assert HOSTILE not in limits
    humidity = {sample.labels["box"] for sample in found["siccast_box_humidity_ratio"].samples}
    assert HOSTILE in humidity, "a name with quotes comes through whole"


def test_the_site_is_told_too(scraped: Scraped) -> None:
    found = scraped.families()
    assert value(found["siccast_stored_readings"]) == 5 * 60 * 24 + 2 * 24
    assert value(found["siccast_rejected_messages"]) == 0
    assert value(found["siccast_waiting_readings"], waiting_for="forwarding") == 0
    assert value(found["siccast_assessed_timestamp_seconds"]) == AS_OF.timestamp()
    assert value(found["siccast_listener_up"]) == 0
    with lock_shelf(scraped.shelf.folder, AS_OF, ""):
        assert value(scraped.families()["siccast_listener_up"]) == 1


def test_what_came_in_is_counted_since_each_listener_started(scraped: Scraped) -> None:
    """A counter has `_total`, and `_created` by which a program knows that it began anew (OpenMetrics 1.0)."""
    names = ("messages", "new_readings", "rejections")
    with lock_shelf(scraped.shelf.folder, AS_OF, "attic") as hold:
        for counted in ((0, 0, 0), (12, 9, 2)):
            hold.counted(*counted)
            found = scraped.families()
            for name, count in zip(names, counted, strict=True):
                family = found[f"siccast_listener_{name}"]
                assert family.type == "counter"
                mine = {sample.name: sample.value for sample in family.samples if sample.labels == {"part": "attic"}}
                assert mine == {f"{family.name}_total": count, f"{family.name}_created": AS_OF.timestamp()}
    later = AS_OF + timedelta(hours=1)
    with lock_shelf(scraped.shelf.folder, later, "attic"):
        samples = scraped.families()["siccast_listener_messages"].samples
    assert {(s.name.rpartition("_")[2], s.value) for s in samples if s.labels == {"part": "attic"}} == {
        ("total", 0.0),
        ("created", later.timestamp()),
    }


def test_messages_rejected_are_counted_since_the_database_began(scraped: Scraped) -> None:
    with closing(sqlite3.connect(scraped.shelf.database_path)) as file, file:
        steps = file.execute("SELECT name, applied_at FROM migrations").fetchall()
        file.execute("UPDATE migrations SET applied_at = '2026-01-05 10:00:00'")
    family = scraped.families()["siccast_rejected_messages"]
    begun_s = datetime(2026, 1, 5, 10, 0, tzinfo=UTC).timestamp()
    assert {s.name.rpartition("_")[2]: s.value for s in family.samples} == {"total": 0.0, "created": begun_s}
    with closing(sqlite3.connect(scraped.shelf.database_path)) as file, file:
        file.execute("UPDATE migrations SET applied_at = '' WHERE name = ?", steps[0][:1])
    assert len(scraped.families()["siccast_rejected_messages"].samples) == 1, "a step may be undated: not known"


def test_other_devices_need_the_token_and_it_opens_nothing_else(scraped: Scraped) -> None:
    device = scraped.ask.from_elsewhere(PHONE)
    refused = device.get("/metrics")
    assert (refused.status_code, refused.headers["www-authenticate"]) == (401, "Bearer")
    assert "page-keys" in refused.text
    token = scraped.access.feed_key("/metrics")
    by_token = {"Authorization": f"Bearer {token}"}
    assert device.get("/metrics", headers=by_token).status_code == 200
    assert device.get("/", headers=by_token).status_code == 303
    assert device.get(f"/metrics?key={token}").status_code == 401, "no secret belongs into an address"
    assert device.get("/metrics", headers={"Authorization": f"Basic {token}"}).status_code == 401
    assert device.get("/metrics", headers={"Authorization": b"Bearer \xff\xfe"}).status_code == 401
    scraped.access.renew_feed_key("/metrics")
    assert device.get("/metrics", headers=by_token).status_code == 401


def test_without_the_library_it_says_what_to_install(scraped: Scraped, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "prometheus_client.openmetrics.exposition", None)
    answer = scraped.ask.get("/metrics")
    assert answer.status_code == 501
    assert "pip install 'siccast[metrics]'" in answer.text
