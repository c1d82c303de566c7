"""What strangers send to the recharge desk, and units of other people."""

from __future__ import annotations

import re
from pathlib import Path

import httpx
from desk_on_page import MICROWAVE, RUN, Hand, at_the_desk, begun

from monitor.web.desk.deeds import DEEDS

JUNK = (
    "", " ", "0", "-1", "1e999", "nan", "9" * 400, "٣٫٥", "<script>alert(1)</script>", "'; DROP TABLE deeds; --",
    "\x00", "a" * 5000, "..", "/", "%", "1,5,5", "=", "sure=1", "\ud7ff", "🫧",
)  # fmt: skip
FIELDS = [
    "weight",
    "after",
    "at",
    "step",
    "scale",
    "tare",
    "tare_scale",
    "hot",
    "seen",
    "sure",
    "spilled",
    "undo",
    "answer",
    "timer",
    "minutes",
    "lost",
    "at_heat",
    "unit",
    "density",
    "event",
    "appliance",
    "color",
    "box",
    "part",
    "beside",
    "other",
    "kind",
    "temperature",
    "power",
    "room",
    "source",
    "holder",
    "state",
    "name",
]
PATHS = (
    *(f"{RUN}/{deed}" for deed in (*DEEDS, "nothing")),
    "/desk/charge/bowl/start", "/desk/new", "/desk/charge/none/start", "/desk/run/none/weigh",
)  # fmt: skip


def test_nothing_that_is_sent_breaks_the_desk(hand: Hand) -> None:
    begun(hand)
    usual = {"weight": "600", "after": "1", "timer": "start", "unit": "milk", "box": "pla", "appliance": "oven"}
    token = re.search(r'name="token" value="([^"]+)"', hand.look("/desk/new"))
    assert token
    for place, field in enumerate(FIELDS):
        for step, path in enumerate(PATHS[place % 3 :: 3]):
            junk = JUNK[(7 * place + step) % len(JUNK)]
            answer = hand.client.post(path, data={"token": token[1], **usual, field: junk})
            assert answer.status_code < 500, (path, field, junk, answer.text)
            assert "<script>alert" not in answer.text
    for junk in (*JUNK, "a/b", "bowl-1/weigh", "%2e%2e"):
        for path in ("/desk/run/{}", "/desk/charge/{}", f"{RUN}?after={{}}", f"{RUN}?step={{}}", "/desk/new?box={}"):
            address = path.format(httpx.URL("/", params={"q": junk}).query.decode()[2:].replace("+", "%20"))
            answer = hand.client.get(address)
            assert answer.status_code < 500, (path, junk)


def test_a_form_from_elsewhere_changes_nothing(hand: Hand) -> None:
    begun(hand, *MICROWAVE[:1])
    before = hand.events()
    assert hand.client.post(f"{RUN}/weigh", data={"weight": "596", "after": "4"}).status_code == 403
    assert hand.client.post(f"{RUN}/discard", data={"token": "guessed"}).status_code == 403
    assert hand.client.get(f"{RUN}/discard").status_code in {404, 405}
    assert hand.events() == before


def test_ounces_and_fahrenheit_are_spoken_throughout(tmp_path: Path) -> None:
    with at_the_desk(tmp_path) as hand:
        file = hand.shelf.folder / "shelf.toml"
        file.write_text('mass_unit = "oz"\ntemperature_unit = "F"\n' + file.read_text("utf-8"), "utf-8")
        assert "68.0 °F, 50 % RH" in hand.look("/desk/charge/bowl")
        hand.send("/desk/charge/bowl/start", appliance="microwave")
        assert "12.52 oz empty" in hand.text
        hand.weigh("21.8")
        assert "9.28 oz after 0 min of heat" in hand.text
        shown = re.sub(r"<[^>]+>", " ", hand.text.split('<div class="desk">')[1].split("Be careful")[0])
        assert re.findall(r"\d g\b", shown) == []
