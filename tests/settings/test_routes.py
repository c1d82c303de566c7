"""`[routes.NAME]`: what each kind needs, secrets that never stand in the shelf file, and slips said in a line."""

from __future__ import annotations

from datetime import time, timedelta
from pathlib import Path

import pytest

from monitor.errors import SettingsError
from monitor.records.alerts import AlertKind, AppriseUrls, Digest, MailAddress, QuietHours, Route, WebhookAddress
from monitor.settings import parse_shelf

MAIL = 'kind = "email"\nhost = "smtp.example.org"\nfrom = "boxes@example.org"\nto = ["me@example.org"]\n'
HOOK = 'kind = "webhook"\nurl = "http://192.168.1.20:8080/hook"\n'


def route(text: str, folder: Path, **environment: str) -> Route:
    (found,) = parse_shelf(f"[routes.one]\n{text}".encode(), folder, environment).routes
    return found


def secret_file(folder: Path, text: str) -> str:
    path = folder / "route.secret"
    path.write_text(text)
    path.chmod(0o600)
    return path.name


def test_mail_with_everything(tmp_path: Path) -> None:
    secret = secret_file(tmp_path, "hush\n")
    text = f"""{MAIL}username = "me"
password_file = "{secret}"
matters = ["over limit", "due"]
boxes = ["left"]
quiet = "22:00-07:00"
digest = "friday 17:30"
urgent_passes = true
after_h = 48
again_after_h = 24
says_end = true
"""
    assert route(text, tmp_path) == Route(
        name="one",
        kind="email",
        target=MailAddress("smtp.example.org", 587, "starttls", "boxes@example.org", ("me@example.org",), "me", "hush"),
        kinds=(AlertKind.over_limit, AlertKind.due),
        boxes=("left",),
        quiet=QuietHours(time(22), time(7)),
        digest=Digest(time(17, 30), 4),
        urgent_passes=True,
        after=timedelta(hours=48),
        again_after=timedelta(hours=24),
        says_end=True,
    )


def test_the_least_that_each_kind_needs(tmp_path: Path) -> None:
    assert route(f'{MAIL}security = "tls"', tmp_path).target == MailAddress(
        "smtp.example.org", 465, "tls", "boxes@example.org", ("me@example.org",)
    )
    assert route(HOOK, tmp_path).target == WebhookAddress("http://192.168.1.20:8080/hook")
    house = route('kind = "mqtt"', tmp_path)
    assert (house.target, house.says_end) == (None, True)
    urls = route('kind = "apprise"', tmp_path, SICCAST_ROUTE_ONE_URLS="json://a/\n# a note\n\njson://b/\n").target
    assert urls == AppriseUrls(("json://a/", "json://b/"))


def test_secrets_come_from_the_environment_or_a_file_of_their_owner(tmp_path: Path) -> None:
    secret = secret_file(tmp_path, "https://hooks.example/t0ken")
    told = route(f'kind = "webhook"\nurl_file = "{secret}"', tmp_path, SICCAST_ROUTE_ONE_SECRET="hush")
    assert told.target == WebhookAddress("https://hooks.example/t0ken", "hush")
    assert "t0ken" not in repr(told)
    assert "hush" not in repr(told)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (f'{MAIL}username = "me"\n', "password_file = '' is not valid; it must be a file with the password, or SICC"),
        (
            'kind = "apprise"\n',
            "urls_file = '' is not valid; it must be a file with the urls, or SICCAST_ROUTE_ONE_U",
        ),
        (f'{HOOK}secret_file = "nowhere"\n', "is not valid; it must be a readable file"),
        (f'{HOOK}secret_file = "wide.secret"\n', r"a file that only you can read \(chmod 600\)"),
    ],
)
def test_a_secret_that_is_missing_stops_nobody_but_who_sends(text: str, said: str, tmp_path: Path) -> None:
    """Looking at boxes needs no route."""
    (tmp_path / "wide.secret").write_text("hush")
    (tmp_path / "wide.secret").chmod(0o644)
    with pytest.raises(AssertionError, match=said):
        assert route(text, tmp_path).without_secret == ""


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('kind = "pigeon"', "one of 'mqtt', 'email', 'webhook', 'apprise'"),
        ("", "one of 'mqtt', 'email', 'webhook', 'apprise'"),
        ('kind = "email"', "'host' is missing"),
        (MAIL.replace('["me@example.org"]', "[]"), "to = [] is not valid; it must be a list of addresses"),
        (MAIL.replace("me@example.org", "me"), "to = 'me' is not valid; it must be an address like"),
        (MAIL + 'security = "none"\nusername = "me"', "the password would go out for all to read"),
        ('kind = "webhook"\nurl = "ftp://host/t0ken"', "url = 'ftp://…' is not valid; it must be an address like"),
        (HOOK + 'quiet = "22-7"', "two times of day, like '22:00-07:00'"),
        (HOOK + 'quiet = "7:00-7:00"', "two times of day"),
        (HOOK + 'digest = "sometimes 18:00"', "a day and a time, like 'daily 18:00' or 'friday 17:00'"),
        ('kind = "mqtt"\ndigest = "daily 18:00"', "the broker keeps one message an alert"),
        (HOOK + 'matters = ["leak"]', "a list of 'leaks more', 'lid open', 'over limit', 'due'"),
        (HOOK + "boxes = [1]", "a list of texts in quotes"),
        (HOOK + "boxes = []", "boxes = [] is not valid; it must be one or more of them; without the line it is all"),
        (HOOK + "matters = []", "matters = [] is not valid; it must be one or more of them"),
        (HOOK + "again_after_h = 0.1", "a number from 1 to 2160"),
        (HOOK + 'password = "hush"', "'password' is not a known setting"),
    ],
)
def test_slips_are_said_with_their_place(text: str, said: str, tmp_path: Path) -> None:
    with pytest.raises(SettingsError) as raised:
        route(text, tmp_path)
    assert said in str(raised.value)
    assert "[routes.one]" in str(raised.value)
    assert "t0ken" not in str(raised.value)


def test_a_box_that_is_not_declared_is_doubted(tmp_path: Path) -> None:
    text = f'[boxes.left]\nvolume_l = 10\n[routes.one]\n{HOOK}boxes = ["left", "lfet"]\n'
    (doubt,) = parse_shelf(text.encode(), tmp_path, {}).doubts
    assert doubt.startswith("[routes.one] names 'lfet', which is not a declared box")
