"""The page of the plan without a browser: what it says, what a person decides there, and every slip."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import httpx
import pytest
from answers_by_hand import AS_OF, assessment_of, forecast_of
from icalendar import Calendar
from shelf_on_page import HOSTILE, keeper_by_hand, make_shelf, serving
from starlette.types import Scope

from monitor.day_names import day_in_full
from monitor.planning.recharge import plan_recharges
from monitor.presentation.plan_wording import HEAT_CAUTION
from monitor.presentation.planned import Planned
from monitor.presentation.wording import Wording
from monitor.records import Appliance, DecisionKind, EntryKind, PlanDecision
from monitor.settings import Shelf, load_shelf
from monitor.store.opening import open_stores
from monitor.web.access.who import NOBODY, Access
from monitor.web.plan.pages import with_new_day
from monitor.web.plan.rows import chances_by_day
from monitor.web.plan.view import view
from monitor.web.snapshot import Snapshot
from monitor.web.told import Told

SATURDAY, SUNDAY = date(2026, 3, 7), date(2026, 3, 8)
WEDNESDAY = date(2026, 3, 4)


class Site:
    """A served shelf, asked as a browser without scripts asks it."""

    def __init__(self, shelf: Shelf, client: httpx.Client) -> None:
        self.shelf, self.client = shelf, client

    def page(self, address: str = "/plan") -> str:
        answer = self.client.get(address)
        assert answer.status_code == 200, answer.text
        return plain(answer.text)

    def send(self, address: str, **form: str) -> httpx.Response:
        token = re.search(r'name="token" value="([^"]+)"', self.client.get("/plan").text)
        assert token is not None
        return self.client.post(address, data={"token": token[1], **form})

    def decide(self, address: str, **form: str) -> str:
        answer = self.send(address, **form)
        assert answer.status_code == 303, answer.text
        return self.page(answer.headers["location"])


def plain(text: str) -> str:
    return " ".join(html.unescape(text).replace("\N{NARROW NO-BREAK SPACE}", " ").split())


def words(text: str) -> str:
    """Return what a page says, without its tags."""
    return " ".join(re.sub(r"<[^>]*>", " ", text).split())


@contextmanager
def site_of(folder: Path) -> Iterator[Site]:
    shelf = make_shelf(folder)
    with (
        serving(shelf, keeper_by_hand(shelf)) as address,
        httpx.Client(base_url=address, timeout=None, follow_redirects=False) as client,
    ):
        yield Site(shelf, client)


@pytest.fixture(scope="module")
def still(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """Give a site at which nothing is changed."""
    with site_of(tmp_path_factory.mktemp("still")) as site:
        yield site


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with site_of(tmp_path) as site:
        yield site


def day_of(page: str, box: str) -> str:
    """Return the day that a page has a box on."""
    found = [
        on
        for on, card in re.findall(r'<li class="plan-day" id="day-([-\d]+)">(.*?)(?=<li class="plan-day"|</ol>)', page)
        if f'href="/box/{box}"' in card
    ]
    return found[0] if found else ""


def test_days_tell_boxes_reasons_and_what_they_take(still: Site) -> None:
    page = still.page()
    assert "Dry over and soon on Saturday 7 March." in page
    for said in (
        "Saturday 7 March",
        "in 3 days",
        "<h4>oven",
        "2 of 4 places",
        "200 g of beads",
        "over its limit already",
    ):
        assert said in page, said
    assert page.count("A batch takes about") == 1
    assert "kWh" not in page, "nobody declared what the oven draws"
    assert HEAT_CAUTION in page
    assert 'href="/plan/done?box=over&on=2026-03-07"' in page


def test_energy_is_told_where_power_is_declared(tmp_path: Path) -> None:
    shelf = make_shelf(tmp_path)
    with (tmp_path / "shelf.toml").open("a", encoding="utf-8") as file:
        file.write('\n[appliances.oven]\nkind = "oven"\npower_w = 1500\n')
    shelf = load_shelf(tmp_path, {})
    assert shelf.appliances[0].power_w is not None
    with serving(shelf, keeper_by_hand(shelf)) as address:
        assert re.search(r"and about \d\.\d kWh", plain(httpx.get(f"{address}/plan", timeout=None).text))


def test_a_box_moved_stays_moved_on_every_page_until_undone(site: Site) -> None:
    page = site.decide("/plan/move", box="soon", on="2026-03-11")
    assert "soon is moved to Wed 11 Mar. The rest is planned around it." in words(page)
    assert day_of(page, "soon") == "2026-03-11"
    assert "moved by you" in page
    assert "The chance that it is over 20 % by then is 0 %" not in page
    (event,) = [
        one
        for one in Calendar.from_ical(site.client.get("/drying.ics").content).walk("VEVENT")
        if "soon" in one["summary"]
    ]
    assert event.decoded("dtstart") == date(2026, 3, 11)
    assert "you moved it to Wed 11 Mar" in site.page("/")
    with open_stores(site.shelf.database_path, read_only=True) as stores:
        [kept] = stores.plan_decisions.counting()
    assert (kept.kind, kept.box, kept.on) == (DecisionKind.moved, "soon", date(2026, 3, 11))
    undone = site.decide("/plan/undo", number=str(kept.decision_id))
    assert "Undone. The plan is made anew." in undone
    assert day_of(undone, "soon") != "2026-03-11"


def test_a_day_off_a_box_skipped(site: Site) -> None:
    page = site.decide("/plan/not", on="2026-03-07")
    assert "Nothing is dried on Sat 7 Mar" in page
    assert day_of(page, "over") not in ("", "2026-03-07")
    page = site.decide("/plan/skip", box="over", on="2026-04-01")
    assert day_of(page, "over") >= "2026-04-01"
    assert "You skip it until Wed 1 Apr." in page
    assert words(page).count("Undo") == 3, "one beside what was just done, one for each decision"


def test_days_away_are_left_out_shown_and_undone_at_once(site: Site) -> None:
    before = day_of(site.page(), "soon")
    page = site.decide("/plan/not", on="2026-03-07", last="2026-03-27")
    assert "Nothing is dried from Sat 7 Mar to Fri 27 Mar" in page
    assert day_of(page, "soon") >= "2026-03-28"
    number = re.search(r'name="number" value="(\d+)"', page)
    assert number is not None
    assert day_of(site.decide("/plan/undo", number=number[1]), "soon") == before


def test_a_slip_about_days_away_stands_beside_them_with_what_was_typed(still: Site) -> None:
    page = plain(still.send("/plan/not", on="2026-03-20", last="2026-03-10").text)
    form = page.split('id="away" open')[1].split("</details>")[0]
    assert 'id="slip">The last day, 2026-03-10, is before the first, 2026-03-20.</p>' in form
    assert 'value="2026-03-20"' in form
    assert 'value="2026-03-10"' in form
    assert page.count('id="slip"') == 1


def test_the_same_data_give_the_same_plan(site: Site) -> None:
    site.decide("/plan/move", box="soon", on="2026-03-14")
    assert site.page() == site.page()


@pytest.mark.parametrize(
    ("address", "form", "said"),
    [
        (
            "/plan/move",
            {"box": "soon", "on": "2026-03-03"},
            "'2026-03-03' is past. Choose today, 2026-03-04, or a later",
        ),
        ("/plan/move", {"box": "soon", "on": "2027-03-03"}, "The plan looks 60 days ahead; 2027-03-03 lies beyond."),
        ("/plan/move", {"box": "soon", "on": "\x00"}, "is not a day. Write it like"),
        ("/plan/move", {"box": "soon"}, "'' is not a day."),
        ("/plan/move", {"box": "nobody", "on": "2026-03-08"}, "There is no box of this name."),
        ("/plan/skip", {"box": "soon", "on": "99999-01-01"}, "is not a day."),
        ("/plan/not", {"on": "2026-02-30"}, "is not a day."),
        ("/plan/not", {"last": "2026-03-10"}, "is not a day."),
        ("/plan/undo", {"number": "77"}, "That was undone already."),
        ("/plan/undo", {"number": "9" * 40}, "There is no such decision."),
        ("/plan/undo", {"number": "²"}, "There is no such decision."),
    ],
)
def test_slips_are_named_and_nothing_is_kept(still: Site, address: str, form: dict[str, str], said: str) -> None:
    answer = still.send(address, **form)
    assert answer.status_code == 400
    assert said in plain(answer.text)
    with open_stores(still.shelf.database_path, read_only=True) as stores:
        assert stores.plan_decisions.counting() == []


def test_a_slip_stands_beside_its_field(still: Site) -> None:
    page = plain(still.send("/plan/move", box="soon", on="2026-01-01").text)
    card = page.split('id="day-2026-03-07"')[1]
    assert '<select name="on" aria-invalid="true" aria-describedby="slip">' in card


@pytest.mark.parametrize(
    "address", ["/plan/move", "/plan/skip", "/plan/not", "/plan/undo", "/plan/done", "/plan/done/later"]
)
def test_a_form_from_elsewhere_changes_nothing(still: Site, address: str) -> None:
    assert still.client.post(address, data={"box": "soon", "on": "2026-03-08", "number": "1"}).status_code == 403


def test_done_asks_how_and_logs_that(site: Site) -> None:
    asked = site.page("/plan/done?box=over&on=2026-03-04")
    assert "How was over dried?" in asked
    for choice in ("now", "10 minutes ago", "an hour ago", "this morning, 8:00", "yesterday evening, 20:00"):
        assert f"<span>{choice}</span>" in asked
    assert 'href="/desk"' in asked
    assert "placeholder" not in asked
    page = site.decide("/plan/done", box="over", day="2026-03-04", method="microwave", when="morning", mass="101.5")
    assert "Saved: beads dried or swapped, over, 4 Mar 2026, 08:00; weighed 101.5 g; dried in the microwave." in words(
        page
    )
    with open_stores(site.shelf.database_path, read_only=True) as stores:
        entry = stores.ledger.entries("over")[-1]
        assert stores.plan_decisions.counting() == [], "the entry alone tells it"
    assert (entry.kind, entry.method, entry.mass_g) == (EntryKind.recharge, "microwave", 101.5)
    assert entry.at.isoformat() == "2026-03-04T07:00:00+00:00"


def test_what_was_logged_from_the_plan_is_undone_there_and_claims_nothing_then(site: Site) -> None:
    page = site.decide("/plan/done", box="over", day="2026-03-04", method="microwave", at="8:00 this morning")
    assert "Undo" in page.split('id="notices"')[1].split("</form>")[0]
    number = re.search(r'name="undo" value="(\d+)"', page)
    assert number is not None
    page = site.decide("/box/over/undo", undo=number[1], back="/plan")
    assert "Undone: beads dried or swapped, over" in words(page)
    assert "How was" not in page
    assert 'aria-current="page"' in page.split("Plan</a>")[0].rpartition("<a ")[2]
    assert "you said it was done" not in page
    assert day_of(page, "over")


def test_the_new_day_is_said_once_it_is_known(site: Site) -> None:
    answers = [assessment_of("over", forecast_of(40.0))]
    charge = replace(answers[0].charge, entry_id=7)  # type: ignore[type-var]
    answers[0] = replace(answers[0], charge=charge)
    plan = plan_recharges(answers, Appliance("oven"), WEDNESDAY, (5, 6))
    asked = Planned(plan, answers, Shelf(Path()), WEDNESDAY, Wording.of(Shelf(Path())))
    said = Told("over", "saved-7", "saved", "recharge of over", "", False, "", "", "undo", "7")
    [day] = plan.days
    shown = with_new_day(said, asked)
    assert shown is not None
    assert shown.more == f"Its next day is {day_in_full(day.on, WEDNESDAY)}."
    later = with_new_day(replace(said, value="8"), asked)
    assert later is not None
    assert later.more == "Its new day is being worked out."


def test_of_a_day_that_is_past_nobody_is_taken_to_mean_just_now(site: Site) -> None:
    asked = site.page("/plan/done?box=over&on=2026-03-02")
    assert not re.search(r'name="when" value="[a-z0-9]+" checked', asked)
    answer = site.send("/plan/done", box="over", day="2026-03-02", method="microwave")
    assert answer.status_code == 400
    assert "Choose when the box was closed again." in plain(answer.text)
    assert 'name="day" value="2026-03-02"' in plain(answer.text)


def test_the_form_offers_the_ways_of_drying_that_the_page_of_the_box_offers(tmp_path: Path) -> None:
    make_shelf(tmp_path)
    with (tmp_path / "shelf.toml").open("a", encoding="utf-8") as file:
        file.write('\n[appliances.oven]\nkind = "oven"\ntemperature_c = 115\n')
    shelf = load_shelf(tmp_path, {})
    with serving(shelf, keeper_by_hand(shelf)) as address:
        pages = [plain(httpx.get(f"{address}{at}", timeout=None).text) for at in ("/box/over", "/plan/done?box=over")]
    found = [
        re.findall(r"<option.*?</option>", re.findall(r'<select name="method">.*?</select>', page)[0]) for page in pages
    ]
    assert found[0] == found[1]
    assert any("oven, 115 °C" in option for option in found[0])


def test_what_is_unlikely_is_asked_about_and_saved_all_the_same(site: Site) -> None:
    form = {"box": "over", "day": "2026-03-04", "method": "microwave", "at": "2026-03-04 10:00", "mass": "900"}
    asked = site.send("/plan/done", **form)
    assert asked.status_code == 400
    page = plain(asked.text)
    assert "Save it all the same" in page
    assert 'name="mass" value="900"' in page
    with open_stores(site.shelf.database_path, read_only=True) as stores:
        before = len(stores.ledger.entries("over"))
    site.decide("/plan/done", **form, sure="1")
    with open_stores(site.shelf.database_path, read_only=True) as stores:
        assert len(stores.ledger.entries("over")) == before + 1


@pytest.mark.parametrize(
    ("form", "said"),
    [
        ({"at": "tomorrowish"}, "is not a time. Write it like"),
        ({"at": "2026-03-09"}, "is in the future."),
        ({"mass": "plenty"}, "is not a weight."),
        ({"method": "wishing"}, "Choose how the beads were dried."),
    ],
)
def test_slips_about_what_was_done_leave_what_was_typed(still: Site, form: dict[str, str], said: str) -> None:
    typed = {"box": "over", "method": "microwave", "at": "2026-03-04 10:00", "mass": "101", **form}
    answer = still.send("/plan/done", **typed)
    assert answer.status_code == 400
    page = plain(answer.text)
    assert said in page
    assert f'name="at" value="{typed["at"]}"' in page
    assert f'name="mass" value="{typed["mass"]}"' in page
    assert page.count('aria-invalid="true"') == 1


def test_a_claim_alone_is_never_taken_for_fresh_beads(site: Site) -> None:
    page = site.decide("/plan/done/later", box="over", on="2026-03-04")
    assert "over: you said it was done for Wed 4 Mar, but no fresh beads are in the log since." in words(page)
    assert day_of(page, "over"), "it stays in the plan"
    with open_stores(site.shelf.database_path, read_only=True) as stores:
        [claim] = stores.plan_decisions.counting()
    assert "you said it was done" not in site.decide("/plan/undo", number=str(claim.decision_id))


def test_a_box_that_is_not_there_or_has_no_beads(still: Site) -> None:
    assert still.client.get("/plan/done?box=nobody").status_code == 404
    assert still.client.get("/plan/done").status_code == 404
    assert "No beads are logged for this box yet." in still.page("/plan/done?box=empty")
    assert 'name="on" value="2026-03-04"' in still.page("/plan/done?box=over&on=nonsense")


def test_names_are_escaped(site: Site) -> None:
    page = site.client.get("/plan").text
    assert "<img" not in page
    site.decide("/plan/move", box=HOSTILE, on="2026-03-08")
    assert "<img" not in site.client.get("/plan").text


def planned(*names_and_days: tuple[str, float], decisions: tuple[PlanDecision, ...] = ()) -> Planned:
    answers = [assessment_of(name, forecast_of(days)) for name, days in names_and_days]
    plan = plan_recharges(answers, Appliance("oven"), WEDNESDAY, (5, 6), decisions=decisions)
    return Planned(plan, answers, Shelf(Path()), WEDNESDAY, Wording.of(Shelf(Path())))


def test_an_empty_plan_says_so() -> None:
    shown = view(planned())
    assert shown.headline == "No box needs drying in the coming weeks, as far as is known."
    assert (shown.days, shown.late_for) == ([], [])
    nowhere = planned(("over", -10.0))
    nowhere = replace(nowhere, plan=replace(nowhere.plan, days=(), left_out={"over": "It has no beads."}))
    assert view(nowhere).headline == "No box has a drying day in the coming weeks, though some need dry beads."
    shown = view(planned(("well", 300.0)))
    assert [row.name for row in shown.without] == ["well"]


def test_what_cannot_be_met_is_said_with_by_how_much() -> None:
    shown = view(planned(("over", -10.0), ("next", 6.0)))
    told = {box: plain(sentence) for box, sentence in shown.late_for}
    assert told["over"] == "is over its limit now and waits 3 days."
    moved = PlanDecision(DecisionKind.moved, date(2026, 3, 15), "next", decision_id=1, decided_at=AS_OF)
    shown = view(planned(("next", 6.0), decisions=(moved,)))
    told = {box: plain(sentence) for box, sentence in shown.late_for}
    assert told["next"] == "is dried 8 days after Sat 7 Mar."


def test_each_candidate_day_shows_the_chance_of_being_over_before_it() -> None:
    asked = planned(("soon", 12.0))
    [row] = [row for day in view(asked).days for row in day.rows]
    forecast = asked.answers[0].forecast
    assert forecast is not None
    told = row.chances.split(" ")
    assert len(told) == 61
    for ahead in (0, 3, 10, 12, 60):
        assert int(told[ahead]) == round(100 * forecast.chance_within(ahead))
    offered = {choice.iso: plain(choice.words) for choice in (*row.days, *row.other_days)}
    assert offered["2026-03-15"] == "Sun 15 Mar: 40 %"
    assert offered["2026-03-16"] == "Mon 16 Mar: 50 %", "another day of the next two weeks"
    assert "2026-03-05" in offered
    assert "2026-04-01" not in offered, "a Wednesday further off can only be dragged to"


def test_the_weeks_mark_allowed_and_chosen_days_and_days_off() -> None:
    off = PlanDecision(DecisionKind.not_that_day, SUNDAY, decision_id=1, decided_at=AS_OF)
    shown = view(planned(("soon", 12.0), decisions=(off,)))
    cells = {cell.iso: cell for week in shown.weeks for cell in week}
    assert all(len(week) == 7 for week in shown.weeks)
    assert cells["2026-03-07"].is_allowed
    assert (cells["2026-03-08"].is_allowed, cells["2026-03-08"].is_off) == (False, True)
    assert not cells["2026-03-09"].is_allowed
    assert "2026-03-03" not in cells, "what is past can't be chosen"
    [chosen] = [iso for iso, cell in cells.items() if cell.rows]
    assert chosen == shown.days[0].iso


def test_the_plan_of_a_snapshot_follows_the_decisions_of_the_command_line(tmp_path: Path) -> None:
    """Somebody decides elsewhere: the page shows it at the next look, before all boxes are assessed anew."""
    with site_of(tmp_path) as site:
        with open_stores(site.shelf.database_path) as stores:
            stores.plan_decisions.keep(PlanDecision(DecisionKind.moved, date(2026, 3, 12), "far"), AS_OF)
        assert day_of(site.page(), "far") == "2026-03-12"


def test_before_the_first_snapshot_the_page_waits(tmp_path: Path) -> None:
    shelf = make_shelf(tmp_path)
    keeper = keeper_by_hand(shelf)

    def fail(_clock: object) -> Snapshot:
        raise OSError

    keeper._take = fail
    with serving(shelf, keeper, wait_for="be assessed") as address:
        answer = httpx.get(f"{address}/plan", timeout=None)
        assert answer.status_code == 200
        assert "can't be assessed" in html.unescape(answer.text)


def test_a_long_horizon_offers_no_endless_lists() -> None:
    asked = planned(("soon", 12.0))
    shelf = replace(asked.shelf, plan=replace(asked.shelf.plan, horizon_days=365, weekdays=tuple(range(7))))
    [row] = [row for day in view(replace(asked, shelf=shelf)).days for row in day.rows]
    assert len(row.days) == 26
    assert row.days[-1].iso == (WEDNESDAY + timedelta(days=25)).isoformat()
    assert len(chances_by_day(asked.answers[0].forecast, 365).split()) == 366  # type: ignore[arg-type]


class SignedIn(Access):
    """Everybody has a session but who says not to."""

    def who(self, scope: Scope) -> str:
        return NOBODY if (b"x-out", b"1") in scope["headers"] else "a session"


def test_where_people_sign_in_the_calendar_address_brings_its_key(tmp_path: Path, still: Site) -> None:
    assert "/drying.ics</code>" in still.page(), "who sits at the machine needs no key"
    shelf = make_shelf(tmp_path)
    with (
        serving(shelf, keeper_by_hand(shelf), access=SignedIn()) as address,
        httpx.Client(base_url=address, timeout=None, headers={"x-out": "1"}) as stranger,
    ):
        page = plain(httpx.get(f"{address}/plan", timeout=None).text)
        told = re.search(r"<code>(http[^<]+)</code>", page)
        assert told is not None
        assert "BEGIN:VCALENDAR" in stranger.get(told[1]).text
        assert "BEGIN:VCALENDAR" not in stranger.get(told[1][:-1]).text
        assert "whoever has it can read these days without signing in" in page
