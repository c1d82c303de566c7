"""Site-years as a table: heating days a year and box-days over the limit, beside those of the plan."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.optimize import LinearConstraint, milp

from tests.worth.policies import LINE, OVER, PLAN, POLICIES

WEEKLY = "every 1 weeks"
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
    weekly = fixed[fixed["policy"] == WEEKLY]
    kept = pd.concat([as_dry, weekly[~weekly["site"].isin(as_dry["site"])]])
    return kept.sort_values(["site", "heating_days", "over"]).groupby("site").head(1)


@dataclass(frozen=True)
class OneRule:
    """One rule for all sites: every so many weeks, and the next longer interval at a share of the sites, by lot."""

    weeks: int
    longer_weeks: int
    share: float
    """Of the sites that dry at the longer one."""
    sites: pd.DataFrame
    """A row a site, a year: the means over them are the rule's. They differ by what each site adds to these means, the
    share that it would have had too, so that standard errors count that the share is estimated (delta method)."""


def one_rule(sites: pd.DataFrame) -> OneRule:
    """Return the one rule for all sites under which they are exactly as damp in all as under the plan.

    It knows of all sites together how damp intervals leave them, and of none alone. Where even every week leaves more
    box-days over, every week it is; where the longest interval leaves fewer, that one.
    """
    columns = [f"{name}_a_year" for name in ("heating_days", "dried", "over")]
    by_policy = {str(name): rows.set_index("site")[columns] for name, rows in sites.groupby("policy", sort=False)}
    ours = by_policy[PLAN]["over_a_year"]
    known = sorted(int(name.split()[1]) for name in by_policy if name.startswith("every "))
    as_dry = [weeks for weeks in known if by_policy[f"every {weeks} weeks"]["over_a_year"].mean() <= ours.mean()]
    weeks = max(as_dry, default=known[0])
    longer = min((one for one in known if one > weeks), default=weeks)
    short, long = (by_policy[f"every {one} weeks"] for one in (weeks, longer))
    apart = long - short
    damper = float(apart["over_a_year"].mean())
    if not as_dry or damper <= 0.0:
        return OneRule(weeks, weeks, 0.0, short)
    lacking = ours - short["over_a_year"]
    share = float(lacking.mean() / damper)
    of_share = (lacking - share * apart["over_a_year"]) / damper
    mixed = short + share * apart + np.outer(of_share, apart.mean())
    return OneRule(weeks, longer, share, mixed)


def best_allotted(sites: pd.DataFrame) -> pd.DataFrame:
    """Return an interval for each site: fewest heating days in all at no more box-days over in all than the plan.

    Every week everywhere, where even that leaves more. Unlike each site's best, a site may be damper than under the
    plan where another one is drier, so it doesn't hang on who ties at no day over.
    """
    fixed = sites[sites["policy"].str.startswith("every ")]
    most = sites.loc[sites["policy"] == PLAN, "over"].sum()
    one_each = (fixed["site"].to_numpy() == fixed["site"].unique()[:, None]).astype(float)
    chosen = milp(
        fixed["heating_days"].to_numpy(float),
        constraints=[LinearConstraint(one_each, 1.0, 1.0), LinearConstraint(fixed["over"].to_numpy(float), ub=most)],
        integrality=np.ones(len(fixed)),
        bounds=(0.0, 1.0),
    )
    return fixed[fixed["policy"] == WEEKLY] if chosen.x is None else fixed[chosen.x > 0.5]


def table(path: Path) -> Iterator[str]:
    """Yield a Markdown table: means over sites with their standard errors."""
    sites = by_site(path)
    ours = sites[sites["policy"] == PLAN].set_index("site")
    rule = one_rule(sites)
    yield f"{len(ours)} site-years, {int(ours['boxes'].sum())} boxes; means a site and year ± standard errors"
    yield ""
    yield "| policy | heating days | boxes dried | box-days over the limit | the plan against it: heating days | over |"
    yield "| --- | --- | --- | --- | --- | --- |"
    best = best_intervals(sites).set_index("site")
    mixed = f"every {rule.weeks} weeks, by lot at {rule.share:.1%} every {rule.longer_weeks}, as dry in all as the plan"
    yield _row(mixed, rule.sites, ours)
    yield _row("every N weeks, best N of each site as dry as the plan", best, ours)
    allotted = best_allotted(sites).set_index("site")
    yield _row("every N weeks, an N for each site, as dry in all as the plan", allotted, ours)
    for policy in POLICIES:
        yield _row(policy, sites[sites["policy"] == policy].set_index("site"), ours)
    drier = int((best["over"] > ours["over"].loc[best.index]).sum())
    yield ""
    yield f"Sites where even every week leaves more box-days over than the plan: {drier}."


def for_help(path: Path, made_on: date) -> dict[str, object]:
    """Return what the page Help shows of it: means with their standard errors, and the plan beside each other rule."""
    sites = by_site(path)
    ours = sites[sites["policy"] == PLAN].set_index("site")
    rule = one_rule(sites)
    others = {
        "one rule": rule.sites,
        "best interval": best_intervals(sites).set_index("site"),
        "allotted intervals": best_allotted(sites).set_index("site"),
        OVER: sites[sites["policy"] == OVER].set_index("site"),
        LINE: sites[sites["policy"] == LINE].set_index("site"),
    }
    return {
        "site_years": len(ours),
        "boxes": int(ours["boxes"].sum()),
        "made_on": f"{made_on:%Y-%m-%d}",
        "one_rule": {
            "weeks": rule.weeks,
            "longer_weeks": rule.longer_weeks,
            "longer_pct": round(100.0 * rule.share, 1),
        },
        "rows": [_for_help("plan", ours), *(_for_help(name, one, ours) for name, one in others.items())],
    }


def _for_help(name: str, one: pd.DataFrame, ours: pd.DataFrame | None = None) -> dict[str, object]:
    told: dict[str, object] = {
        "rule": name,
        "heating_days": _mean_and_error(one["heating_days_a_year"]),
        "over_days": _mean_and_error(one["over_a_year"]),
    }
    if ours is not None:
        ratio, sd = _against(one, ours)
        told["fewer_heating_pct"] = [round(100.0 * (1.0 - ratio), 1), round(100.0 * sd, 1)]
        told["more_over_days"] = _more_over(one, ours)
    return told


def _row(name: str, one: pd.DataFrame, ours: pd.DataFrame) -> str:
    ratio, sd = _against(one, ours)
    means = " | ".join(_mean(one[f"{column}_a_year"]) for column in ("heating_days", "dried", "over"))
    more, error = _more_over(one, ours)
    return f"| {name} | {means} | {100.0 * (ratio - 1.0):+.0f} % ± {100.0 * sd:.0f} | {more:+.1f} ± {error:.1f} |"


def _more_over(one: pd.DataFrame, ours: pd.DataFrame) -> list[float]:
    """Return how many box-days a year more the plan leaves over the limit, site by site, with the standard error."""
    return _mean_and_error(ours["over_a_year"] - one["over_a_year"].loc[ours.index])


def _against(one: pd.DataFrame, ours: pd.DataFrame) -> tuple[float, float]:
    """Return the heating days of the plan as a share of another policy's, with the standard error."""
    ratio = ours["heating_days_a_year"].sum() / max(one["heating_days_a_year"].sum(), 1e-9)
    apart = ours["heating_days_a_year"] - ratio * one["heating_days_a_year"].loc[ours.index]
    return float(ratio), float(apart.std() / np.sqrt(len(apart)) / max(one["heating_days_a_year"].mean(), 1e-9))


def _mean(values: pd.Series) -> str:
    mean, error = _mean_and_error(values)
    return f"{mean:.1f} ± {error:.1f}"


def _mean_and_error(values: pd.Series) -> list[float]:
    error = float(values.std() / np.sqrt(len(values))) if len(values) > 1 else 0.0
    return [round(float(values.mean()), 2) + 0.0, round(error, 2)]  # no zero has a sign
