"""Styles, scripts and the typeface: asked for once by their content, and handed out anew when that changes."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator

import httpx
import pytest
from shelf_on_page import keeper_by_hand, make_shelf, serving

from monitor.presentation.shipped import shipped

ASSET = re.compile(r'(?:href|src)="(/assets/[^"]+)"')
PAGES = ("/", "/box/soon", "/plan", "/desk", "/house", "/house/labels", "/help", "/wall", "/nowhere")


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[httpx.Client]:
    shelf = make_shelf(tmp_path_factory.mktemp("shelf"))
    with serving(shelf, keeper_by_hand(shelf)) as address, httpx.Client(base_url=address, timeout=None) as client:
        yield client


@pytest.mark.parametrize("path", PAGES)
def test_whatever_a_page_is_made_of_may_be_kept(client: httpx.Client, path: str) -> None:
    addresses = set(ASSET.findall(client.get(path).text))
    assert "/assets/siccast.css" in {address.partition("?")[0] for address in addresses}
    for address in addresses:
        answer = client.get(address)
        assert answer.status_code == 200
        assert "immutable" in answer.headers["cache-control"], address
        name, _, mark = address.partition("?")
        content = (shipped("dashboards") / name.removeprefix("/")).read_bytes()
        assert hashlib.sha256(content).hexdigest().startswith(mark), address
        assert len(mark) == 10, address


@pytest.mark.parametrize("address", ["/assets/siccast.css", "/assets/siccast.css?0123456789"])
def test_without_the_mark_of_its_content_it_is_asked_for_each_time(client: httpx.Client, address: str) -> None:
    assert client.get(address).headers["cache-control"] == "no-cache"


def test_what_there_is_not_is_not_kept(client: httpx.Client) -> None:
    assert "immutable" not in client.get("/assets/nowhere.css?0123456789").headers["cache-control"]


def test_the_typeface_that_a_page_asks_for_is_the_one_of_its_style(client: httpx.Client) -> None:
    """Under another address it would come twice, and the second time too late for the first view."""
    page = client.get("/").text
    (asked,) = re.findall(r'rel="preload" href="/assets/([^"]+)"', page)
    (named,) = re.findall(r'url\("(.*?)"\)', client.get("/assets/siccast.css").text)
    assert asked == named
