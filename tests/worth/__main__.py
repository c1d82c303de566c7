"""What planning is worth: simulated site-years under four policies, and the table of what each cost.

python -m tests.worth --site-years 200 --out worth.csv       (goes on where an earlier run stopped)
python -m tests.worth --site-years 0 --out worth.csv         (only the table of what is there)
python -m tests.worth --site-years 0 --out worth.csv --help-table dashboards/worth.json    (and for the page Help)

A site has four to eight boxes in a measured or typical room; all policies see the same weather, openings and sensors.
Beads can be dried on Saturdays, all boxes of a site in one batch; a recharge takes them to what the site's way of
drying reaches in the room of that day. Truth runs in steps of two hours by the exact balance of the tests.

What is shortened: forecasts are made on Friday evenings only, as nothing can be done on other days; so the estimate is
carried on week by week instead of night by night, and fitted again every second week instead of every week. That can
only make it worse. One oven takes all boxes, so a day with any drying counts once, for every policy.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from datetime import UTC, datetime
from multiprocessing import get_context
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tests.worth import rooms
from tests.worth.table import for_help, table
from tests.worth.year import Year, append, sites_in

WEEKS_A_YEAR = 52


def main() -> None:
    """Simulate what is lacking, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--site-years", type=int, default=200, help="how many in all, with those in the file")
    parser.add_argument("--out", type=Path, default=Path("worth.csv"), help="CSV of site-years, one row a box")
    parser.add_argument("--weeks", type=int, default=WEEKS_A_YEAR, help="length of a site-year")
    parser.add_argument("--cores", type=int, default=1, help="processes")
    parser.add_argument("--data", type=Path, help="folder of more rooms: CSV.gz of utc_hour, temperature_c, rh_pct")
    parser.add_argument("--help-table", type=Path, help="where to write the table that the page Help shows")
    asked = parser.parse_args()
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    there = sites_in(asked.out)
    lacking = [seed for seed in range(asked.site_years) if seed not in there]
    year = Year(asked.weeks, tuple(rooms.files(asked.data)))
    with get_context("spawn").Pool(asked.cores) as pool:
        for done, rows in enumerate(pool.imap_unordered(year, lacking), 1):
            append(asked.out, rows)
            print(f"\r{len(there) + done} of {asked.site_years} site-years", end="", file=sys.stderr, flush=True)
    if lacking:
        print(file=sys.stderr)
    if asked.out.exists():
        print(*table(asked.out), sep="\n")
    if asked.help_table:
        shown = for_help(asked.out, datetime.now(UTC).date())
        asked.help_table.write_text(json.dumps(shown, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
