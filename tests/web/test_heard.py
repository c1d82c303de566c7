"""What routes said of a box stands on its page until somebody says that they know."""

from __future__ import annotations

import re
from pathlib import Path

import httpx
from made_up import AS_OF
from shelf_made_up import keeper_by_hand, make_shelf, serving

from monitor.records.alerts import Matter, StandingMatter, Word
from monitor.settings import load_shelf
from monitor.store.opening import open_stores


def test_a_word_is_heard_on_the_page_of_its_box(tmp_path: Path) -> None:
    shelf = make_shelf(tmp_path)
    with (tmp_path / "shelf.toml").open("a", encoding="utf-8") as text:
        text.write('\n[routes.house]\nkind = "mqtt"\n')
    shelf = load_shelf(shelf.folder, {})
    words = [Word(box, Matter.due, f"{box}: dry <beads> by Monday.") for box in ("soon", "later")]
    with open_stores(shelf.database_path) as stores:
        stores.alerts.keep([StandingMatter(word, AS_OF) for word in words])
    with (
        serving(shelf, keeper_by_hand(shelf)) as address,
        httpx.Client(base_url=address, timeout=None, follow_redirects=True) as client,
    ):
        page = client.get("/box/soon").text
        assert "Dry &lt;beads&gt; by Monday." in page
        assert "I know" in page
        token = re.search(r'name="token" value="([^"]+)"', page)[1]  # type: ignore[index]
        assert client.post("/box/soon/heard", data={"token": "of another"}).status_code == 403
        assert "I know" in client.get("/box/soon/heard").text, "to look changes nothing"
        after = client.post("/box/soon/heard", data={"token": token})
        assert (after.status_code, after.url.path) == (200, "/box/soon")
        assert "I know" not in after.text
    with open_stores(shelf.database_path, read_only=True) as stores:
        assert {one.word.box: one.heard_at is not None for one in stores.alerts.standing()} == {
            "soon": True, "later": False,
        }  # fmt: skip
