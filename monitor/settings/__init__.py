"""The one reader of the shelf file and the environment; both are checked once and handed down as plain values."""

from monitor.records import PlanRules
from monitor.settings.calendar import CalendarRules
from monitor.settings.plan_rules import WEEKDAYS
from monitor.settings.shelf import (
    DATABASE_FILE,
    SHELF_FILE,
    Shelf,
    load_shelf,
    load_shelf_again,
    parse_shelf,
    shelf_as_it_is,
    shelf_folder,
    shelf_stamp,
    zone_named,
)

__all__ = [
    "DATABASE_FILE",
    "SHELF_FILE",
    "WEEKDAYS",
    "CalendarRules",
    "PlanRules",
    "Shelf",
    "load_shelf",
    "load_shelf_again",
    "parse_shelf",
    "shelf_as_it_is",
    "shelf_folder",
    "shelf_stamp",
    "zone_named",
]
