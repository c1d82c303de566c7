"""`box rename` and `box remove`: everything moves along at once, and nothing that was stored is destroyed."""

from __future__ import annotations

import json
import sqlite3
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest
from typer.testing import Result

from monitor.cli.site import publish
from monitor.errors import SettingsError
from monitor.feed.decode import Decoder
from monitor.feed.mqtt import MqttFeed
from monitor.presentation.clock import utc_now
from monitor.records import OWN_FEED, BrokerAddress, EntryKind, LedgerEntry, RawMessage, Reading
from monitor.settings import load_shelf, shelf_edit
from monitor.settings.shelf_removed import bring_box_back, removed_boxes
from monitor.store.opening import open_stores
from monitor.store.sqlite.boxes import SqliteBoxes
from monitor.store.sqlite.connection import Database

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

NOW = datetime.now(tz=UTC).replace(microsecond=0)
SHELF = """# the attic
site = "attic"  # mine

[boxes.left]  # by the window
volume_l = 12
spools = [
    {material = "PLA", mass_g = 1000},
]
# a comment of the left one
[boxes.left.sensor]
accuracy_rh_pct = 2

[boxes.right]
volume_l = 8
"""


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    (tmp_path / "shelf.toml").write_text(SHELF)
    with open_stores(tmp_path / "siccast.sqlite3", synchronous="OFF") as stores:
        for box in ("left", "right", "a(b)"):
            stores.readings.add(Reading(box, NOW - timedelta(minutes=10 * k), 21.4, 0.172) for k in range(50))
        stores.ledger.log(LedgerEntry(EntryKind.opening, "left", NOW - timedelta(hours=1)), utc_now())
    return tmp_path


def put_beads_into_left(run: Callable[..., Result]) -> None:
    run("lot", "buy", "spring", "orange_gel", "1kg")
    run("charge", "weigh-out", "cup", "spring", "120")
    run("charge", "put", "cup", "left")


def test_what_is_undone_is_named_as_it_was_when_it_was_saved(run: Callable[..., Result], shelf: Path) -> None:
    (shelf / "shelf.toml").write_text(f'timezone = "Asia/Tokyo"\n{SHELF}')
    saved = run("log", "opening", "left", "--at", "2026-03-01T07:30").stdout
    what = "opened, left, 1 Mar 2026, 07:30"
    assert saved == f"saved as entry 2: {what}. To undo: `siccast log undo 2`\n"
    assert run("log", "undo", "2").stdout == f"undid entry 2: {what}\n"


def test_a_box_off_the_shelf_is_said_to_be_off_it_where_it_is_asked_about(
    run: Callable[..., Result], shelf: Path
) -> None:
    run("box", "remove", "left")
    for command in ("boxes", "forecast", "leak"):
        said = str(run(command, "left", exit_code=2).exception)
        assert said == "box 'left' was taken off the shelf. `siccast adopt left` brings it back"
    with open_stores(shelf / "siccast.sqlite3", synchronous="OFF") as stores:
        stores.readings.add([Reading("ahead", NOW + timedelta(days=400), 21.4, 0.172)])
        stores.readings.add([Reading("room", NOW - timedelta(hours=1), 21.4, 0.45)])
    assert "all its readings are dated later" in str(run("boxes", "ahead", exit_code=2).exception)
    assert "'room' is the room sensor" in str(run("boxes", "room", exit_code=2).exception)


@pytest.mark.parametrize("zone", ["Europe/Vienna", "Pacific/Kiritimati", "America/Los_Angeles", "UTC"])
def test_a_box_is_renamed_in_every_zone(run: Callable[..., Result], shelf: Path, zone: str) -> None:
    """What it sent under its old name goes to the new one from the year 2000 on, as the clocks of the zone have it."""
    (shelf / "shelf.toml").write_text(f'timezone = "{zone}"\n{SHELF}')
    run("box", "rename", "left", "window")
    assert [box.name for box in load_shelf(shelf).boxes] == ["window", "right"]


def test_a_renamed_box_takes_everything_along(run: Callable[..., Result], shelf: Path) -> None:
    put_beads_into_left(run)
    said = run("box", "rename", "left", "Links oben").stdout
    assert "'left' is now called 'Links oben'. Its 50 readings" in said
    assert "Restart `siccast listen` if it runs" in said
    assert "serve" not in said, "pages read the shelf file anew: tests/web/test_live.py"
    text = (shelf / "shelf.toml").read_text()
    assert '[boxes."Links oben"]  # by the window' in text
    assert '[boxes."Links oben".sensor]' in text
    assert "# a comment of the left one" in text
    site = load_shelf(shelf)
    box = site.box("Links oben")
    assert (box.volume_liter, box.sensor.accuracy, box.spools[0].material) == (12.0, 0.02, "PLA")
    with open_stores(site.database_path, read_only=True) as stores:
        assert len(stores.readings.series("Links oben")) == 50
        assert len(stores.readings.hourly("Links oben")) > 5
        assert sorted(stores.readings.latest()) == ["Links oben", "a(b)", "right"]
        kinds = [entry.kind for entry in stores.ledger.entries("Links oben")]
        assert {EntryKind.opening, EntryKind.charge, EntryKind.note} == set(kinds)
        assert stores.ledger.entries("left") == []
        assert stores.upkeep.faults() == []
    (charge,) = json.loads(run("charge", "list", "--json").stdout)["charges"]
    assert charge["place"] == "box:Links oben"
    # what its sensor goes on sending lands there too
    payload = b'{"t": "2026-03-01T07:30:00Z", "temperature_c": 21.4, "rh_pct": 17.2}'
    decoder = Decoder((OWN_FEED,), "attic", site.moves)
    (reading,) = decoder.decode([RawMessage("mqtt", "siccast/1/attic/left/reading", payload, NOW)]).readings
    assert reading.box == "Links oben"


def test_names_are_swapped_over_a_third(run: Callable[..., Result], shelf: Path) -> None:
    for old, new in (("left", "third"), ("right", "left"), ("third", "right")):
        run("box", "rename", old, new)
    site = load_shelf(shelf)
    assert {box.name: box.volume_liter for box in site.boxes} == {"right": 12.0, "left": 8.0}
    decoder = Decoder((OWN_FEED,), "attic", site.moves)
    payload = b'{"t": "2026-03-01T07:30:00Z", "temperature_c": 21.4, "rh_pct": 17.2}'
    messages = [RawMessage("mqtt", f"siccast/1/attic/{name}/reading", payload, NOW) for name in ("left", "right")]
    assert [reading.box for reading in decoder.decode(messages).readings] == ["right", "left"]


def test_a_stored_name_that_does_not_fit_gets_another(run: Callable[..., Result], shelf: Path) -> None:
    refused = str(run("adopt", "a(b)", exit_code=2).exception)
    assert "`siccast box rename 'a(b)' NAME` gives it such a name" in refused
    run("box", "rename", "a(b)", "back")
    run("adopt", "back")
    assert "not declared" not in run("check", exit_code=3).stdout


@pytest.mark.parametrize(
    ("words", "exit_code", "told"),
    [
        (("left", "right"), 1, "box 'right' is already declared"),
        (("left", "a(c)"), 2, "'a(c)' is not valid: a name is 1 to 64 letters of any script"),
        (("ghost", "other"), 2, "there is no box 'ghost': it is not declared, and it never sent a reading"),
        (("left", "room"), 2, "'room' is already in use"),
        (("left", "left"), 2, "'left' is already in use"),
        (("a(b)", "right"), 1, "box 'right' has 50 readings and 0 log entries of its own"),
    ],
)
def test_names_that_can_not_be_given(
    run: Callable[..., Result], shelf: Path, words: tuple[str, str], exit_code: int, told: str
) -> None:
    result = run("box", "rename", *words, exit_code=exit_code)
    assert told in f"{result.output}{result.exception}"
    assert (shelf / "shelf.toml").read_text() == SHELF


def test_what_the_file_can_not_follow_changes_nothing(run: Callable[..., Result], shelf: Path) -> None:
    (shelf / "shelf.toml").write_text("[boxes]\nleft.volume_l = 12\n")
    told = str(run("box", "rename", "left", "other", exit_code=1).exception)
    assert "write 'other' for 'left' in [boxes.…], [[moves]], [routes.…] and [feeds.boxes] yourself" in told
    with open_stores(shelf / "siccast.sqlite3", read_only=True) as stores:
        assert "left" in stores.readings.latest()
        assert len(stores.ledger.entries("left")) == 1
    # by hand in the file, the store follows
    (shelf / "shelf.toml").write_text("[boxes]\nother.volume_l = 12\n")
    run("box", "rename", "left", "other")
    assert load_shelf(shelf).box("other").volume_liter == 12.0


def test_a_store_that_can_not_be_written_leaves_the_file(run: Callable[..., Result], shelf: Path) -> None:
    with sqlite3.connect(shelf / "siccast.sqlite3") as holder:
        holder.execute("CREATE TRIGGER no BEFORE UPDATE ON ledger BEGIN SELECT RAISE(ABORT, 'no'); END")
    run("box", "rename", "left", "other", exit_code=1)
    assert (shelf / "shelf.toml").read_text() == SHELF


def test_moves_feeds_and_rooms_follow(tmp_path: Path) -> None:
    before = (
        b'[[feeds]]\r\ntopic = "a/{box}"\r\nboxes = { x1 = "left", x2 = "right" }\r\n'
        b'temperature = {pointer = "/t"}\r\nhumidity = {pointer = "/h"}\r\n'
        b'[[moves]]\r\nsensor = "left"\r\nto = "left"\r\non = 2026-01-01\r\n'
        b'[boxes.right]\r\nroom = "left"\r\n'
    )
    (tmp_path / "shelf.toml").write_bytes(before)
    shelf_edit.rename_box(tmp_path, "left", "cellar", reports=True)
    after = (tmp_path / "shelf.toml").read_bytes()
    assert after == (
        before.replace(b'"left", x2', b'"cellar", x2').replace(b'to = "left"', b'to = "cellar"')
        .replace(b'room = "left"', b'room = "cellar"')
    )  # fmt: skip


def test_a_byte_order_mark_stays_where_it_was(tmp_path: Path) -> None:
    path = tmp_path / "shelf.toml"
    path.write_bytes(b"\xef\xbb\xbf[boxes.left]\r\nvolume_l = 5\r\n")
    shelf_edit.rename_box(tmp_path, "left", "other", reports=False)
    assert path.read_bytes() == b'\xef\xbb\xbf[boxes."other"]\r\nvolume_l = 5\r\n'
    assert shelf_edit.remove_box(tmp_path, "other")
    assert path.read_bytes() == b'\xef\xbb\xbf# [boxes."other"]\r\n# volume_l = 5\r\n'
    assert load_shelf(tmp_path).boxes == ()


def test_what_a_server_knows_under_the_old_name_is_forwarded_again(shelf: Path) -> None:
    database = Database(shelf / "siccast.sqlite3")
    SqliteBoxes(database, forwards=True).rename("left", "other", NOW)
    waiting = database.connection.execute("SELECT count(*) FROM outbox").fetchone()[0]
    database.close()
    assert waiting == 50


def test_a_text_that_only_looks_like_a_table_is_never_touched(tmp_path: Path) -> None:
    before = 'site = "attic"\n[boxes.left]\nroom = """\n[boxes.left]\n"""\n'
    (tmp_path / "shelf.toml").write_text(before)
    with pytest.raises(SettingsError, match=r"can't change .* by itself"):
        shelf_edit.rename_box(tmp_path, "left", "other", reports=False)
    assert (tmp_path / "shelf.toml").read_text() == before


def test_a_removed_box_is_kept_and_comes_back(run: Callable[..., Result], shelf: Path) -> None:
    put_beads_into_left(run)
    refused = str(run("box", "remove", "left", exit_code=1).exception)
    assert "charge 'cup' is in box 'left'. Take it out first: `siccast charge take-out cup`" in refused
    run("charge", "take-out", "cup")
    told = run("box", "remove", "left").stdout
    assert "Its 50 readings and its log stay stored: `siccast adopt left` brings it back" in told
    text = (shelf / "shelf.toml").read_text()
    assert "# [boxes.left]  # by the window\n# volume_l = 12\n" in text
    assert [box.name for box in load_shelf(shelf).boxes] == ["right"]
    run("box", "remove", "a(b)")
    found = run("check", exit_code=3).stdout
    assert not any(f"{name}: " in found for name in ("left", "a(b)"))
    assert [box["box"] for box in json.loads(run("boxes", "--json").stdout)["boxes"]] == ["right"]
    assert run("readings", "export", "--box", "left").stdout.count("left") == 50
    said = run("adopt", "left").stdout
    assert "left is a box again, as it stood in" in said
    assert "with 50 readings so far, 12 L and a limit of 20 %" in said
    assert (shelf / "shelf.toml").read_text() == SHELF
    assert [box["box"] for box in json.loads(run("boxes", "--json").stdout)["boxes"]] == ["left", "right"]


AS_PEOPLE_WRITE = [
    SHELF,
    SHELF.replace("\n", "\r\n"),
    "\ufeff" + SHELF,
    SHELF.rstrip("\n"),
    '[boxes.left]\n# limit_rh_pct = 15\nvolume_l = 12\n\n# style = "bag"\n\n# of right\n[boxes.right]\n',
    "[boxes.left]\nvolume_l = 12\n# limit_rh_pct = 15\n[boxes.right]\nvolume_l = 8\n",
    '[[boxes.left.spools]]\nmaterial = "PA6"\n\n[boxes.right]\n[[boxes.left.spools]]\nmaterial = "PLA"\n',
    '[boxes]\n[boxes.left]\nspools = [\n\n  # one\n  {material = "PETG"},\n]\n[boxes."right"]',
]


@pytest.mark.parametrize("text", AS_PEOPLE_WRITE)
@pytest.mark.parametrize("order", [("left", "right"), ("right", "left")])
def test_boxes_that_come_back_leave_the_file_as_it_was(tmp_path: Path, text: str, order: tuple[str, str]) -> None:
    """Byte for byte, and none of a person's own comments becomes a setting."""
    path = tmp_path / "shelf.toml"
    path.write_bytes(text.encode())
    before = load_shelf(tmp_path).boxes
    for name in ("left", "right"):
        assert shelf_edit.remove_box(tmp_path, name)
    assert load_shelf(tmp_path).boxes == ()
    assert set(removed_boxes(tmp_path, [*order, "other"])) == {"left", "right"}
    for name in order:
        assert bring_box_back(tmp_path, name, None, None) in before
    assert path.read_bytes() == text.encode()
    assert bring_box_back(tmp_path, "left", None, None) is None


@pytest.mark.parametrize(("stands", "becomes"), [
    ("volume_l = 12  # a jar\nlimit_rh_pct = 15\n", "volume_l = 7.5  # a jar\nlimit_rh_pct = 25\n"),
    ('style = "bag"\n', 'volume_l = 7.5\nlimit_rh_pct = 25\nstyle = "bag"\n'),
    ("volume_l=7.5", "limit_rh_pct = 25\nvolume_l=7.5"),
])  # fmt: skip
def test_a_box_comes_back_with_what_was_told_meanwhile(tmp_path: Path, stands: str, becomes: str) -> None:
    path = tmp_path / "shelf.toml"
    path.write_text(f"[boxes.left]  # mine\n{stands}")
    shelf_edit.remove_box(tmp_path, "left")
    box = bring_box_back(tmp_path, "left", 7.5, 0.25)
    assert box == load_shelf(tmp_path).box("left")
    assert (box.volume_liter, box.humidity_limit) == (7.5, 0.25)
    assert path.read_text() == f"[boxes.left]  # mine\n{becomes}"


def test_what_a_person_made_of_the_comments_is_not_taken_for_a_box(run: Callable[..., Result], shelf: Path) -> None:
    run("box", "remove", "left")
    path = shelf / "shelf.toml"
    path.write_text(path.read_text().replace("# volume_l = 12", "# this one leaked"))
    said = run("adopt", "left").stdout
    assert "left is a box now, with 50 readings so far, 10 L and a limit of 20 %" in said
    assert load_shelf(shelf).box("left").volume_liter == 10.0
    run("box", "remove", "left")
    assert bring_box_back(shelf, "left", None, None) == load_shelf(shelf).box("left"), "the later of two"


def test_a_box_renamed_while_it_was_off_the_shelf_comes_back_under_its_new_name(
    run: Callable[..., Result], shelf: Path
) -> None:
    run("box", "remove", "left")
    run("box", "rename", "left", "window")
    run("adopt", "window", "--limit-rh", "15")
    box = load_shelf(shelf).box("window")
    assert (box.volume_liter, box.humidity_limit, box.sensor.accuracy) == (12.0, 0.15, 0.02)


def test_routes_follow_a_box_that_is_renamed(tmp_path: Path) -> None:
    """Else its alerts go nowhere from then on, and only `check` says so."""
    path = tmp_path / "shelf.toml"
    path.write_text(
        '[boxes.left]\n[boxes.right]\n[routes.mail]\nkind = "email"\nhost = "h"\nfrom = "left@x.org"\n'
        "to = [\n  'a@x.org',\n]\nboxes = [\n  'left',  # mine\n  \"right\", \"left\"]\n"
        '[routes.house]\nkind = "mqtt"\nboxes = ["right"]\n'
    )
    shelf_edit.rename_box(tmp_path, "left", "window", reports=False)
    routes = {route.name: route.boxes for route in load_shelf(tmp_path).routes}
    assert routes == {"mail": ("window", "right", "window"), "house": ("right",)}
    assert load_shelf(tmp_path).doubts == ()
    assert "'left@x.org'" not in path.read_text().replace('"left@x.org"', "")


def test_a_removed_box_that_reports_again_is_said(run: Callable[..., Result], shelf: Path) -> None:
    run("box", "remove", "a(b)")
    with open_stores(shelf / "siccast.sqlite3") as stores:
        stores.readings.add([Reading("a(b)", datetime.now(tz=UTC) + timedelta(minutes=1), 21.4, 0.172)])
    assert "a(b): seen, not declared" in run("check", exit_code=3).stdout


def declare_broker(shelf: Path, mosquitto: Any) -> None:
    with (shelf / "shelf.toml").open("a") as text:
        text.write(f'\n[broker]\nhost = "127.0.0.1"\nport = {mosquitto.port}\n')


def retained_outlooks(mosquitto: Any) -> set[str]:
    """Return the topics of the outlooks that are retained, once the broker has answered something asked after them."""
    address = BrokerAddress("127.0.0.1", mosquitto.port, client_id="new")
    topics: set[str] = set()
    with MqttFeed(address, ["siccast/1/+/+/outlook", "last"], clock=utc_now) as feed:
        feed.connect()
        feed.send("last", b"", retain=False)
        while "last" not in topics:
            topics |= {message.topic for message in feed.receive(1.0)}
    return topics - {"last"}


@pytest.mark.broker
def test_an_outlook_that_is_sent_while_its_box_is_renamed_is_taken_back(
    run: Callable[..., Result], shelf: Path, mosquitto: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    declare_broker(shelf, mosquitto)
    usual, left = publish.ask, ["left"]

    def ask(*told: Any, **how: Any) -> Any:
        asked = usual(*told, **how)
        run("box", "rename", left.pop(), "other")
        return asked

    monkeypatch.setattr(publish, "ask", ask)
    run("publish")
    assert retained_outlooks(mosquitto) == {"siccast/1/attic/right/outlook"}


@pytest.mark.broker
def test_the_outlook_under_the_old_name_is_taken_back(run: Callable[..., Result], shelf: Path, mosquitto: Any) -> None:
    declare_broker(shelf, mosquitto)
    run("publish")
    run("box", "rename", "left", "other")
    run("publish")
    assert retained_outlooks(mosquitto) == {"siccast/1/attic/other/outlook", "siccast/1/attic/right/outlook"}
    mosquitto.stop()
    told = run("box", "rename", "other", "left").output
    assert "send an empty retained message to siccast/1/attic/other/outlook" in told


def test_an_old_name_leads_to_the_new_one_however_often_it_changed(run: Callable[..., Result], shelf: Path) -> None:
    """As a printed label or a bookmark does; a name that no box ever had leads nowhere."""
    run("box", "rename", "left", "window")
    run("box", "rename", "window", "door")
    with open_stores(shelf / "siccast.sqlite3", read_only=True) as stores:
        assert [stores.boxes.renamed_to(old) for old in ("left", "window", "door", "nobody")] == [
            "door",
            "door",
            None,
            None,
        ]


def test_a_box_without_a_sensor_is_added_and_answered(run: Callable[..., Result], shelf: Path) -> None:
    where_to = "To add it: `siccast box add pantry`"
    assert where_to in str(run("log", "charge", "pantry", "--dry-mass", "100", exit_code=2).exception)
    assert "Without a sensor: `siccast box add pantry`" in str(run("adopt", "pantry", exit_code=2).exception)
    before = (shelf / "shelf.toml").read_text(encoding="utf-8")
    assert "'gaskt' is not known" in run("box", "add", "pantry", "--style", "gaskt", exit_code=2).stderr
    done = run("box", "add", "pantry", "--volume-l", "7", "--limit-rh", "15", "--style", "clip_lid")
    assert "pantry is a box now, with 7 L and a limit of 15 %. Next: `siccast log charge pantry`" in done.stdout
    added = '\n[boxes.pantry]\nvolume_l = 7\nlimit_rh_pct = 15\nstyle = "clip_lid"\n'
    assert (shelf / "shelf.toml").read_text(encoding="utf-8") == before + added
    assert "already declared" in str(run("box", "add", "pantry", exit_code=1).exception)
    assert "a name is" in str(run("box", "add", "pan/try", exit_code=2).exception)
    run("log", "charge", "pantry", "--dry-mass", "100")
    (answer,) = json.loads(run("forecast", "pantry", "--json").stdout)["boxes"]
    assert answer["cross_at"]["p50"] is not None
    assert "the sensor may show" not in " ".join(answer["evidence"]), "there is none"


def test_who_asks_by_the_old_name_is_told_the_new_one(run: Callable[..., Result]) -> None:
    run("box", "rename", "left", "attic")
    assert str(run("log", "opening", "left", exit_code=2).exception) == "'left' is called 'attic' now"


def test_a_limit_is_changed_in_its_line_and_all_else_stays(run: Callable[..., Result], shelf: Path) -> None:
    path = shelf / "shelf.toml"
    told = run("box", "change", "left", "--limit-rh", "12.5", "--volume-l", "11").stdout
    assert told == "left: its limit is 12.5 % now (it was 20 %), its volume is 11 L now (it was 12 L)\n"
    changed = SHELF.replace("# by the window\nvolume_l = 12", "# by the window\nlimit_rh_pct = 12.5\nvolume_l = 11")
    assert path.read_text() == changed
    assert "its style is 'tote' now (it was 'unknown')" in run("box", "change", "left", "--style", "tote").stdout
    changed = changed.replace("# by the window\n", '# by the window\nstyle = "tote"\n')
    run("box", "change", "left", "--style", "clip_lid")
    changed = changed.replace('"tote"', '"clip_lid"')
    assert path.read_text() == changed
    run("box", "change", "right", "--volume-l", "9")
    assert path.read_text() == changed.replace("volume_l = 8", "volume_l = 9")
    for words, exit_code in ((("left",), 2), (("nobody", "--limit-rh", "9"), 2), (("left", "--limit-rh", "0"), 2)):
        run("box", "change", *words, exit_code=exit_code)
    assert path.read_text() == changed.replace("volume_l = 8", "volume_l = 9")


@pytest.mark.parametrize(
    ("text", "becomes"),
    [
        ("[boxes.left]\r\nlimit_rh_pct=20 # PLA\r\n", "[boxes.left]\r\nlimit_rh_pct=15 # PLA\r\n"),
        ("[boxes.left]", "[boxes.left]\nlimit_rh_pct = 15\n"),
        ("[boxes.left.sensor]\nfloor_rh_pct = 9\n", None),
        ("boxes.left.limit_rh_pct = 20\n", None),
        ("[boxes]\nleft = {limit_rh_pct = 20}\n", None),
    ],
)
def test_a_limit_written_in_an_unusual_way_is_left_to_the_person(
    tmp_path: Path, text: str, becomes: str | None
) -> None:
    path = tmp_path / "shelf.toml"
    path.write_bytes(text.encode())
    if becomes is None:
        with pytest.raises(SettingsError, match=r"write limit_rh_pct = 15 for left yourself"):
            shelf_edit.change_box(tmp_path, "left", {"limit_rh_pct": 15.0})
    else:
        shelf_edit.change_box(tmp_path, "left", {"limit_rh_pct": 15.0})
    assert path.read_bytes() == (becomes or text).encode()
