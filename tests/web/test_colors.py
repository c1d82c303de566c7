"""Colors that stand for a state are told apart by eyes with the three common deficiencies, and by ink on paper."""

from __future__ import annotations

import re
from itertools import combinations

import pytest
from coloraide import Color

from monitor.presentation.shipped import shipped

TOKEN = re.compile(r"^ +(--[a-z-]+): (#[0-9a-f]{6});", re.MULTILINE)
STATES = ("--over", "--due", "--within")
BEADS = ("--used", "--fresh")
EYES = ("protan", "deutan", "tritan")
"""Simulated after Brettel, Viénot and Mollon (1997) and Machado et al. (2009), by the library's own choice."""
JUST_SEEN = 2.3  # CIE 1976 color difference; Mahy, van Eycken and Oosterlinck (1994)


def scheme(dark: bool) -> dict[str, str]:
    """Return the tokens of one color scheme."""
    sheet = (shipped("dashboards") / "assets" / "siccast.css").read_text(encoding="utf-8")
    light, _, rest = sheet.partition("(prefers-color-scheme: dark)")
    return dict(TOKEN.findall(light)) | (dict(TOKEN.findall(rest.partition("\n}\n")[0])) if dark else {})


def seen(color: str, eyes: str) -> Color:
    return Color(color).filter(eyes, 1)


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("eyes", EYES)
def test_states_stay_apart(dark: bool, eyes: str) -> None:
    colors = scheme(dark)
    for one, other in combinations(STATES, 2):
        apart = seen(colors[one], eyes).delta_e(seen(colors[other], eyes), method="76")
        assert apart > 3.0 * JUST_SEEN, f"{one} and {other} are {apart:.1f} apart for {eyes} eyes"


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("eyes", EYES)
def test_full_beads_and_fresh_ones_stay_apart(dark: bool, eyes: str) -> None:
    full, fresh = (seen(scheme(dark)[name], eyes) for name in BEADS)
    assert full.delta_e(fresh, method="76") > 10.0 * JUST_SEEN


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_words_and_edges_have_the_contrast_that_wcag_asks_for(dark: bool) -> None:
    colors = scheme(dark)
    for ground in ("--paper", "--raised"):
        for ink in ("--ink", "--soft", *STATES, "--unsure"):
            # WCAG 2.2, success criterion 1.4.3
            assert Color(colors[ink]).contrast(Color(colors[ground])) >= 4.5, f"{ink} on {ground}"
        # WCAG 2.2, success criteria 1.4.11 and 2.4.11
        assert Color(colors["--glass-edge"]).contrast(Color(colors[ground])) >= 3.0, f"edges on {ground}"
        assert Color(colors["--focus"]).contrast(Color(colors[ground])) >= 3.0, f"focus on {ground}"
