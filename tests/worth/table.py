"""Site-years as a table: heating days a year and box-days over the limit, beside those of the plan."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from tests.worth.policies import PLAN, POLICIES

_YEAR_DAYS = 365.0


def by_site(path: Path) -> pd.DataFrame:
    """Return a row for each site and policy: heating days a year, and share of box-days over the limit."""
    rows = pd.read_csv(path)
    groups = rows.groupby(["site", "policy"], sort=False)
    found = groups.agg(
        room=("room", "first"), boxes=("box", "count"), days=("days", "first"), heating_days=("heating_days", "first"),
        dried=("dried", "sum"), over=("days_over", "sum"),
    ).reset_index()  # fmt: skip
    for name in ("heating_days", "dried", "over"):
        found[f"{name}_a_year"] = found[name] * _YEAR_DAYS / found["days"]
    return found


def best_intervals(sites: pd.DataFrame) -> pd.DataFrame:
    """Return each site's best fixed interval in hindsight: fewest heating days at no more box-days over than the plan.

    Where even every week leaves more, every week it is.
    """
    ours = sites[sites["policy"] == PLAN].set_index("site")["over"]
    fixed = sites[sites["policy"].str.startswith("every ")]
    as_dry = fixed[fixed["over"].to_numpy() <= ours.loc[fixed["site"]].to_numpy()]
    weekly = fixed[fixed["policy"] == "every 1 weeks"]
    kept = pd.concat([as_dry, weekly[~weekly["site"].isin(as_dry["site"])]])
    return kept.sort_values(["site", "heating_days", "over"]).groupby("site").head(1)


def best_single(sites: pd.DataFrame) -> str:
    """Return the one interval for all sites: fewest heating days at no more box-days over in all than the plan."""
    total = sites.groupby("policy", sort=False)[["heating_days", "over"]].sum()
    fixed = total[total.index.str.startswith("every ")]
    as_dry = fixed[fixed["over"] <= total.loc[PLAN, "over"]]
    return str(as_dry["heating_days"].idxmin()) if len(as_dry) else "every 1 weeks"


def table(path: Path) -> Iterator[str]:
    """Yield a Markdown table: means over sites with their standard errors."""
    sites = by_site(path)
    ours = sites[sites["policy"] == PLAN].set_index("site")
    single = best_single(sites)
    yield f"{len(ours)} site-years, {int(ours['boxes'].sum())} boxes; means a site and year ± standard errors"
    yield ""
    yield "| policy | heating days | boxes dried | box-days over the limit | heating days of the plan against it |"
    yield "| --- | --- | --- | --- | --- |"
    best = best_intervals(sites).set_index("site")
    yield _row("every N weeks, best N of each site as dry as the plan", best, ours)
    yield _row(f"every N weeks, best single N: {single}", sites[sites["policy"] == single].set_index("site"), ours)
    for policy in POLICIES:
        yield _row(policy, sites[sites["policy"] == policy].set_index("site"), ours)
    drier = int((best["over"] > ours["over"].loc[best.index]).sum())
    yield ""
    yield f"Sites where even every week leaves more box-days over than the plan: {drier}."


def _row(name: str, one: pd.DataFrame, ours: pd.DataFrame) -> str:
    ratio = ours["heating_days_a_year"].sum() / max(one["heating_days_a_year"].sum(), 1e-9)
    apart = ours["heating_days_a_year"] - ratio * one["heating_days_a_year"].loc[ours.index]
    sd = apart.std() / np.sqrt(len(apart)) / max(one["heating_days_a_year"].mean(), 1e-9)
    means = " | ".join(_mean(one[f"{column}_a_year"]) for column in ("heating_days", "dried", "over"))
    return f"| {name} | {means} | {100.0 * (ratio - 1.0):+.0f} % ± {100.0 * sd:.0f} |"


def _mean(values: pd.Series) -> str:
    return f"{values.mean():.1f} ± {values.std() / np.sqrt(len(values)):.1f}"
