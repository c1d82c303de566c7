"""The shelf file: what a person may declare, and one clear line for everything that won't do."""

from __future__ import annotations

import re
from datetime import UTC, datetime, time
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from monitor.cli.app import app
from monitor.errors import FeedError, SettingsError, UnknownBoxError
from monitor.feed.mqtt import MqttFeed
from monitor.presentation.clock import utc_now
from monitor.records import OWN_FEED, RoomClimate
from monitor.settings import CalendarRules, load_shelf, load_shelf_again, parse_shelf, shelf_folder
from monitor.store.opening import open_stores

WHOLE = """
site = "attic"
timezone = "Europe/Vienna"
temperature_unit = "F"
mass_unit = "oz"

[broker]
host = "127.0.0.1"
port = 1884
protocol = "3.1.1"

[[feeds]]
name = "porch"
topic = "things/{box}/state"
temperature = {pointer = "/t", unit = "F"}
humidity = {pointer = "/h", unit = "fraction"}
time = {pointer = "/at", unit = "epoch_ms"}
boxes = {node7 = "left"}

[room]
temperature_c = 19
rh_pct = 45
monthly_vapor_pressure_kpa = [0.5, 0.5, 0.6, 0.8, 1.1, 1.4, 1.6, 1.6, 1.3, 1.0, 0.7, 0.6]

[boxes.left]
volume_l = 8
limit_rh_pct = 15
style = "gasket"
sensor = {accuracy_rh_pct = 5, resolution_rh_pct = 1, floor_rh_pct = 10}
spools = [{material = "PA6", mass_g = 750, state = "dried"}]

[appliances.dryer]
kind = "filament_dryer"
temperature_c = 65
batch_boxes = 2

[plan]
weekdays = ["saturday", "monday"]
horizon_days = 45
"""


def write(folder: Path, text: str) -> Path:
    (folder / "shelf.toml").write_text(text, encoding="utf-8")
    return folder


def test_everything_declared_arrives_in_inner_units(tmp_path: Path) -> None:
    shelf = load_shelf(write(tmp_path, WHOLE), environment={})
    assert (shelf.site, str(shelf.timezone), shelf.fahrenheit, shelf.ounces) == ("attic", "Europe/Vienna", True, True)
    assert shelf.broker is not None
    assert (shelf.broker.port, shelf.broker.protocol, shelf.broker.password) == (1884, "3.1.1", None)
    box = shelf.box("left")
    assert box.humidity_limit == pytest.approx(0.15)
    assert box.sensor.floor == pytest.approx(0.10)
    assert box.spools[0].material == "PA6"
    assert shelf.room is not None
    assert shelf.room.monthly_vapor_pressure_pa[6] == pytest.approx(1600.0)
    assert shelf.feeds[0].boxes == (("node7", "left"),)
    assert shelf.plan.weekdays == (0, 5)
    assert shelf.appliances[0].temperature_degc == pytest.approx(65.0)


def test_a_climate_brings_the_air_that_rooms_have_there_unless_it_is_told(tmp_path: Path) -> None:
    """Singapore's measured rooms: 2.34 kPa at 27 °C, which is 66 %."""
    room = load_shelf(write(tmp_path, "[room]\nclimate = 'tropical'"), environment={}).room
    assert room == RoomClimate(27.0, 0.66, air_is_told=False, climate="tropical")
    room = load_shelf(write(tmp_path, "[room]\nclimate = 'tropical'\nrh_pct = 50"), environment={}).room
    assert room == RoomClimate(27.0, 0.50, climate="tropical")
    assert load_shelf(write(tmp_path, "[room]"), environment={}).room == RoomClimate(air_is_told=False)


def test_folder_without_a_shelf_file_is_an_empty_site(tmp_path: Path) -> None:
    shelf = load_shelf(tmp_path, environment={})
    assert shelf.broker is None
    assert shelf.boxes == ()
    assert shelf.feeds == (OWN_FEED,)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("site = 'a/b'", "site = 'a/b'"),
        ("timezone = 'Mars/Olympus'", "IANA"),
        ("[boxes.left]\nlimit_rh_pct = 120", "a number from 1 to 95"),
        ("[boxes.left]\nlimit_rh = 20", "'limit_rh' is not a known setting"),
        ("[boxes.'../up']\nvolume_l = 3", "'../up'"),
        ("[boxes.left]\nvolume_l = true", "volume_l = True"),
        ("[broker]\nport = 1883", "'host' is missing"),
        ("[[feeds]]\ntopic = 'a/b'", "{box}"),
        ("[[feeds]]\ntopic = ''", "{box}"),
        *(
            (f'[broker]\nhost = "{host}"', "must be a name or an address without port, like '192.168.1.20'")
            for host in ("", "192.168.1.20:1883", "mqtt://hub", "my hub", "hub\\n", "hub\\u202e", "[::1]")
        ),
        *(
            (f'[broker]\nhost = "hub"\nclient_id = "{text}"', "must be a text of its own for each listener")
            for text in ("", "a\\u0000b")
        ),
        ("[[feeds]]\ntopic = '{box}'\nhumidity = {pointer = 'h'}", "RFC 6901"),
        ("[room]\nmonthly_vapor_pressure_kpa = [1.0]", "twelve"),
        ("[room]\nclimate = 'martian'", "'humid_summers'"),
        ("boxes = 3", "[boxes.NAME]"),
        ("site = ", "not valid TOML"),
        ("[boxes.a]\n[boxes.a]", "[boxes.a] is declared twice (at line 2, column 9)"),
        ('site = "attic\nlanguage = "de"', "a line ends within quotes (at line 1, column 14)"),
        ("[boxes.room]", "[boxes.room]: 'room' is the sensor outside the boxes"),
        ('[boxes.a]\nroom = "a"', "room = 'a' is not valid; it must be the name of a sensor outside this box"),
        ("[boxes.a]\nspools = [{material = 'PLA', mass_g = 1}]", "mass_g = 1 is not valid; it must be a number from 5"),
        ("[plan]\nweekdays = ['caturday']", "'saturday'"),
    ],
)
def test_wrong_value_gets_one_line_with_place_value_and_rule(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(SettingsError) as caught:
        load_shelf(write(tmp_path, text), environment={})
    assert said in str(caught.value)
    assert "shelf.toml" in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("host", ["::1", "fe80::1%eth0", "hub", "hub.example.org", "büro.example", "10.0.0.7"])
def test_machines_have_names_and_addresses_of_either_kind(tmp_path: Path, host: str) -> None:
    broker = load_shelf(write(tmp_path, f"[broker]\nhost = '{host}'"), environment={}).broker
    assert broker is not None
    assert broker.host == host


def test_files_are_named_from_the_folder_of_the_shelf_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Wherever siccast was started, as a service is from elsewhere."""
    monkeypatch.chdir("/")
    names = "ca_file = 'ca.crt'\ncertificate_file = 'tls/me.crt'\nkey_file = '/etc/me.key'"
    mail = "[routes.mail]\nkind = 'email'\nhost = 'hub'\nfrom = 'a@b.c'\nto = ['a@b.c']\nca_file = 'ca.crt'"
    hook = "[routes.hook]\nkind = 'webhook'\nurl = 'https://hub/x'\nca_file = 'ca.crt'"
    shelf = load_shelf(write(tmp_path, f"[broker]\nhost = 'hub'\n{names}\n{mail}\n{hook}"), environment={})
    broker, ours = shelf.broker, str(tmp_path / "ca.crt")
    assert broker is not None
    told = (broker.ca_file, broker.certificate_file, broker.key_file)
    assert told == (ours, str(tmp_path / "tls/me.crt"), "/etc/me.key")
    assert [route.target.ca_file for route in shelf.routes] == [ours, ours]  # type: ignore[union-attr]


def test_unreadable_shelf_file_is_named(tmp_path: Path) -> None:
    (tmp_path / "shelf.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SettingsError, match="UTF-8"):
        load_shelf(tmp_path, environment={})


def test_password_comes_from_the_environment_or_a_private_file(tmp_path: Path) -> None:
    write(tmp_path, "[broker]\nhost = 'h'\npassword_file = 'secret'")
    (tmp_path / "secret").write_text("hush\n")
    (tmp_path / "secret").chmod(0o644)
    broker = load_shelf(tmp_path, environment={}).broker
    assert broker is not None
    assert broker.password is None
    with pytest.raises(FeedError, match="chmod 600"):
        MqttFeed(broker, clock=utc_now)
    (tmp_path / "secret").chmod(0o600)
    broker = load_shelf(tmp_path, environment={}).broker
    assert broker is not None
    assert broker.password == "hush"
    assert "hush" not in repr(broker)
    broker = load_shelf(tmp_path, environment={"SICCAST_MQTT_PASSWORD": "louder"}).broker
    assert broker is not None
    assert broker.password == "louder"


def test_a_password_file_that_is_missing_stops_only_who_connects(tmp_path: Path) -> None:
    write(tmp_path, "[broker]\nhost = 'h'\npassword_file = 'secret'\n[boxes.one]\nvolume_l = 5")

    def run(*words: str) -> Result:
        return CliRunner().invoke(app, ["--shelf", str(tmp_path), *words])

    assert run("log", "opening", "one", "--at", "2026-03-01").exit_code == 0
    assert run("boxes").exit_code == 0
    refused = run("publish").exception
    assert isinstance(refused, FeedError)
    assert "password_file = " in str(refused)
    looked_at = run("check")
    assert looked_at.exit_code == 3
    assert "broker: " in looked_at.stdout
    assert "No such file or directory" in looked_at.stdout


def test_a_feed_in_fahrenheit_is_answered_in_fahrenheit(tmp_path: Path) -> None:
    feed = "[[feeds]]\ntopic = '{box}'\nhumidity = {pointer = '/h'}\ntemperature = {pointer = '/t', unit = 'F'}\n"
    write(tmp_path, feed)
    assert load_shelf(tmp_path, environment={}).fahrenheit
    write(tmp_path, f"temperature_unit = 'C'\n{feed}")
    assert not load_shelf(tmp_path, environment={}).fahrenheit
    write(tmp_path, feed + feed.replace("'{box}'", "'b/{box}'").replace("unit = 'F'", "unit = 'C'"))
    assert not load_shelf(tmp_path, environment={}).fahrenheit


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("style = 'gaskt'", "style = 'gaskt' is not valid; it must be one of valve, gasket"),
        ("wall_material = 'plywood'", "wall_material = 'plywood' is not valid; it must be one of PP"),
        ("spools = [{material = 'PETH'}]", "material = 'PETH' is not valid; it must be one of PLA"),
    ],
)
def test_a_word_that_no_table_knows_is_said_and_not_taken(tmp_path: Path, line: str, told: str) -> None:
    write(tmp_path, f"[boxes.one]\n{line}")
    with pytest.raises(SettingsError, match=re.escape(told)) as refused:
        load_shelf(tmp_path, environment={})
    assert "`siccast words`" in str(refused.value)


def test_a_move_to_a_box_that_nobody_declared_is_said(tmp_path: Path) -> None:
    write(tmp_path, "[boxes.one]\nvolume_l = 5\n[[moves]]\nsensor = 'a'\nto = 'tow'\non = 2026-03-01")
    assert load_shelf(tmp_path, environment={}).doubts == (
        "[[moves]] leads sensor 'a' to 'tow', which is not a declared box. Declare it, or write one of one, room",
    )
    with open_stores(tmp_path / "siccast.sqlite3"):
        pass
    checked = CliRunner().invoke(app, ["--shelf", str(tmp_path), "check"])
    assert "shelf file: [[moves]] leads sensor 'a' to 'tow'" in checked.stdout


def test_password_in_the_shelf_file_is_refused(tmp_path: Path) -> None:
    write(tmp_path, "[broker]\nhost = 'h'\npassword = 'open'")
    with pytest.raises(SettingsError, match="'password' is not a known setting"):
        load_shelf(tmp_path, environment={})


def test_unknown_box_names_the_known_ones(tmp_path: Path) -> None:
    shelf = load_shelf(write(tmp_path, WHOLE), environment={})
    with pytest.raises(UnknownBoxError, match="Declared: left"):
        shelf.box("right")


def test_shelf_folder_given_beats_environment(tmp_path: Path) -> None:
    assert shelf_folder(tmp_path, {"SICCAST_SHELF": "/elsewhere"}) == tmp_path
    assert shelf_folder(None, {"SICCAST_SHELF": "/elsewhere"}) == Path("/elsewhere")
    assert shelf_folder(None, {}).name == "siccast"


def test_a_recorded_site_answers_as_of_its_end(tmp_path: Path) -> None:
    (tmp_path / "shelf.toml").write_text("recorded_until = 2026-09-30T18:00:00Z\n", encoding="utf-8")
    clock = datetime(2027, 1, 1, tzinfo=UTC)
    assert load_shelf(tmp_path, {}).now(clock) == datetime(2026, 9, 30, 18, tzinfo=UTC)
    assert load_shelf(tmp_path / "elsewhere", {}).now(clock) == clock


@pytest.mark.parametrize("at", ["9999-12-31T23:59:59-14:00", "0001-01-01T00:00:00+14:00", "1999-12-31T23:59:59Z"])
def test_an_instant_at_which_there_can_be_no_readings_is_refused(tmp_path: Path, at: str) -> None:
    """Ours ends at 9999: a day more, or an hour in another zone, is no instant any more."""
    for line in (f"recorded_until = {at}\n", f'[[moves]]\nsensor = "a"\nto = "b"\non = {at}\n'):
        (tmp_path / "shelf.toml").write_text(line, encoding="utf-8")
        with pytest.raises(SettingsError, match=r"is not valid; it must be from 2000 to 2099$"):
            load_shelf(tmp_path)


@pytest.mark.parametrize("at", ["9999-12-31T23:59:59", "0001-01-01T00:00:00"])
def test_a_move_at_the_ends_of_all_time_is_refused(tmp_path: Path, at: str) -> None:
    (tmp_path / "shelf.toml").write_text(f'[[moves]]\nsensor = "a"\nto = "b"\non = {at}\n', encoding="utf-8")
    with pytest.raises(SettingsError, match=r"is not valid; it must be from 2000 to 2099$"):
        load_shelf(tmp_path)


@pytest.mark.parametrize("at", ["2026-03-29T02:30:00", "2026-10-25T02:30:00"])
def test_a_move_at_a_time_that_clocks_skipped_or_showed_twice_is_refused(tmp_path: Path, at: str) -> None:
    """Vienna's clocks are changed on these days, at 01:00 UTC."""
    whole = 'timezone = "Europe/Vienna"\n[boxes.b]\nvolume_l = 5\n[[moves]]\nsensor = "a"\nto = "b"\non = '
    (tmp_path / "shelf.toml").write_text(f"{whole}{at}\n", encoding="utf-8")
    with pytest.raises(SettingsError, match=rf"on = '{at}' .* once, or one with its offset from UTC, like {at}\+"):
        load_shelf(tmp_path)
    (tmp_path / "shelf.toml").write_text(f"{whole}{at}+01:00\n", encoding="utf-8")
    assert load_shelf(tmp_path).moves[0].since == datetime.fromisoformat(f"{at}+01:00")


def test_a_name_of_any_length_is_shown_in_a_line(tmp_path: Path) -> None:
    (tmp_path / "shelf.toml").write_text(f"[boxes.{'a' * 3000}]\nvolume_l = 5\n", encoding="utf-8")
    with pytest.raises(SettingsError, match=r"aaaa… in \[boxes"):
        load_shelf(tmp_path)


def test_an_instant_without_its_offset_is_refused(tmp_path: Path) -> None:
    (tmp_path / "shelf.toml").write_text("recorded_until = 2026-09-30T18:00:00\n", encoding="utf-8")
    with pytest.raises(SettingsError, match="offset from UTC"):
        load_shelf(tmp_path, {})


def test_a_calendar_has_hours_and_reminders_of_its_own(tmp_path: Path) -> None:
    usual = CalendarRules()
    assert (usual.begins, usual.evening_before, usual.that_morning) == (None, time(19), None)
    text = '[calendar]\nbegins = "10:00"\nlasts_minutes = 90\nremind_evening_before = "never"\n'
    rules = parse_shelf((text + 'remind_that_morning = "08:30"\n').encode(), tmp_path, {}).calendar
    assert rules == CalendarRules(time(10), 90, None, time(8, 30))


@pytest.mark.parametrize("wrong", ["25:00", "7", "19:00:00", "19:00Z", "soon", ""])
def test_a_time_that_is_none_is_named(tmp_path: Path, wrong: str) -> None:
    with pytest.raises(
        SettingsError, match=r"\[calendar\]: remind_evening_before = .* a time like '18:30', or 'never'"
    ):
        parse_shelf(f'[calendar]\nremind_evening_before = "{wrong}"\n'.encode(), tmp_path, {})


def test_what_runs_on_keeps_a_shelf_whose_file_is_gone_or_emptied(tmp_path: Path) -> None:
    path = tmp_path / "shelf.toml"
    nothing = load_shelf(tmp_path, {})
    path.touch()
    assert load_shelf_again(nothing) == nothing
    path.write_text("[boxes.one]\nvolume_l = 5\n", encoding="utf-8")
    shelf = load_shelf_again(nothing)
    assert [box.name for box in shelf.boxes] == ["one"]
    for undo in (path.unlink, path.touch):
        undo()
        with pytest.raises(SettingsError, match=r"shelf.toml is gone or empty. Put back what it said$"):
            load_shelf_again(shelf)
