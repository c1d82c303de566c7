"""Frozen values that travel between the rooms: readings, boxes, ledger entries, estimates, forecasts.

They reach for nothing: no record saves, fetches or draws itself. Humidity is a fraction of saturation over liquid
water, temperature °C, mass g, every instant aware UTC.
"""

from monitor.records.answers import (
    Assessment,
    BoxHistory,
    BoxState,
    CrossingForecast,
    DateQuantiles,
    FanDay,
    LeakEstimate,
    Outlook,
    PlannedDay,
    Quantiles,
    WhatIf,
)
from monitor.records.declared import (
    OWN_FEED,
    Appliance,
    Box,
    BrokerAddress,
    FeedSpec,
    InfluxAddress,
    RoomClimate,
    SensorMove,
    SensorSpec,
    Spool,
    ValueAt,
)
from monitor.records.logged import EntryKind, LedgerEntry, RejectedMessage
from monitor.records.readings import (
    ROOM,
    HalfReading,
    Mark,
    Quantity,
    RawMessage,
    Reading,
    ReadingSeries,
    ReadingSource,
    Rejection,
)
from monitor.records.site import Forwarding, Listener

__all__ = [
    "OWN_FEED",
    "ROOM",
    "Appliance",
    "Assessment",
    "Box",
    "BoxHistory",
    "BoxState",
    "BrokerAddress",
    "CrossingForecast",
    "DateQuantiles",
    "EntryKind",
    "FanDay",
    "FeedSpec",
    "Forwarding",
    "HalfReading",
    "InfluxAddress",
    "LeakEstimate",
    "LedgerEntry",
    "Listener",
    "Mark",
    "Outlook",
    "PlannedDay",
    "Quantiles",
    "Quantity",
    "RawMessage",
    "Reading",
    "ReadingSeries",
    "ReadingSource",
    "RejectedMessage",
    "Rejection",
    "RoomClimate",
    "SensorMove",
    "SensorSpec",
    "Spool",
    "ValueAt",
    "WhatIf",
]
