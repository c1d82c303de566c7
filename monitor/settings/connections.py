"""Where readings come from and where they may be kept: broker, feeds and time series, with their secrets."""

from __future__ import annotations

import os
from dataclasses import replace
from typing import TYPE_CHECKING

from monitor.errors import SettingsError
from monitor.named_files import require_file
from monitor.records import OWN_FEED, BrokerAddress, FeedSpec, InfluxAddress, ValueAt
from monitor.records.declared import LARGEST_PORT, MQTT_PORT, MQTT_TLS_PORT
from monitor.records.names import (
    NAME_RULE,
    is_name,
    tidy,
)
from monitor.records.words import HUMIDITY_UNITS, TEMPERATURE_UNITS, TIME_UNITS

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from monitor.settings.toml_table import TomlTable


def read_broker(table: TomlTable | None, folder: Path, environment: Mapping[str, str]) -> BrokerAddress | None:
    if table is None:
        return None
    host = table.host("host")
    password, without = _password(table, folder, environment)
    tls = table.flag("tls", default=False)
    broker = BrokerAddress(
        host=host,
        port=table.whole("port", 1, LARGEST_PORT, default=MQTT_TLS_PORT if tls else MQTT_PORT),
        protocol=table.choice("protocol", ("5", "3.1.1"), default="5"),
        client_id=environment.get("SICCAST_MQTT_CLIENT_ID") or _read_client_id(table),
        share=_read_share(table),
        username=environment.get("SICCAST_MQTT_USER") or table.text("username", default="") or None,
        password=password,
        without_password=without,
        tls=tls,
        ca_file=table.file("ca_file", folder),
        certificate_file=table.file("certificate_file", folder),
        key_file=table.file("key_file", folder),
    )
    table.refuse_leftovers()
    return broker


def _password(table: TomlTable, folder: Path, environment: Mapping[str, str]) -> tuple[str | None, str]:
    """Return the password, or why it can't be read: looking at boxes needs no broker, and must not fail of it."""
    try:
        return read_secret(table, "password_file", "SICCAST_MQTT_PASSWORD", folder, environment), ""
    except SettingsError as error:
        return None, str(error)


def _read_client_id(table: TomlTable) -> str:
    """Return what the broker keeps our session by; without one it would forget us, and what comes meanwhile."""
    client_id = table.text("client_id", default="siccast")
    if not client_id or not client_id.isprintable():
        raise table.error("client_id", client_id, "a text of its own for each listener, like 'siccast'")
    return client_id


def _read_share(table: TomlTable) -> str | None:
    none = "-"
    share = table.text("share", default=none)
    if set(share) & set("/+#") or not share or not share.isprintable():
        raise table.error("share", share, "a name without '/', '+' and '#'")
    return None if share == none else share


def read_secret(table: TomlTable, key: str, variable: str, folder: Path, environment: Mapping[str, str]) -> str | None:
    """Return a secret from the environment or a file only its owner may read; never from the shelf file."""
    name = table.text(key, default="")
    if environment.get(variable):
        return environment[variable]
    if not name:
        return None
    path = folder / name
    try:
        require_file(path)
        if os.name == "posix" and path.stat().st_mode & 0o077:
            raise table.error(key, str(path), "a file that only you can read (chmod 600)")
        return path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or error
        raise table.error(key, str(path), f"a readable file ({reason})") from error


def read_influx(table: TomlTable | None, folder: Path, environment: Mapping[str, str]) -> InfluxAddress | None:
    if table is None:
        return None
    url = table.text("url")
    if not url.startswith(("http://", "https://")):
        raise table.error("url", url, "an address like 'http://127.0.0.1:8086'")
    influx = InfluxAddress(
        url=url,
        org=table.text("org"),
        bucket=table.text("bucket"),
        token=read_secret(table, "token_file", "SICCAST_INFLUX_TOKEN", folder, environment),
    )
    table.refuse_leftovers()
    return influx


def read_feeds(table: TomlTable) -> tuple[FeedSpec, ...]:
    feeds = tuple(_read_feed(inner) for inner in table.list_of_tables("feeds"))
    return feeds or (OWN_FEED,)


def _read_feed(table: TomlTable) -> FeedSpec:
    topic = _read_topic(table, "topic")
    humidity_topic = _read_topic(table, "humidity_topic") if table.has("humidity_topic") else None
    bare = ValueAt("", "") if humidity_topic else None
    feed = FeedSpec(
        name=table.text("name", default=topic),
        topic=topic,
        humidity_topic=humidity_topic,
        temperature=_read_value_at(table, "temperature", tuple(TEMPERATURE_UNITS), bare),
        humidity=_read_value_at(table, "humidity", tuple(HUMIDITY_UNITS), bare),
        time=_read_value_at(table, "time", tuple(TIME_UNITS), None),
        boxes=tuple(sorted(_read_renamed(table).items())),
        join_within_s=table.number("join_within_s", 0.0, 86_400.0, default=60.0),  # judgement: as FeedSpec has it
    )
    table.refuse_leftovers()
    return feed


def _read_renamed(table: TomlTable) -> dict[str, str]:
    """Return what boxes are called here, by what their sensors call themselves."""
    renamed = {theirs: tidy(ours) for theirs, ours in table.text_map("boxes").items()}
    for ours in renamed.values():
        if not is_name(ours):
            raise table.error("boxes", ours, f"names of boxes, each {NAME_RULE}")
    return renamed


def _read_topic(table: TomlTable, key: str) -> str:
    topic = table.text(key)
    if "{box}" not in topic:
        raise table.error(key, topic, "a topic pattern with {box} in it, like 'sensors/{box}/state'")
    return topic


def _read_value_at(table: TomlTable, key: str, units: tuple[str, ...], otherwise: ValueAt | None) -> ValueAt | None:
    """Return where a quantity stands; ``otherwise`` what it is where the feed does not say, its unit still open."""
    inner = table.table(key)
    if inner is None:
        return None if otherwise is None else replace(otherwise, unit=units[0])
    pointer = inner.text("pointer", None if otherwise is None else otherwise.pointer)
    if pointer and not pointer.startswith("/"):
        raise inner.error("pointer", pointer, "a JSON Pointer (RFC 6901), like '/data/humidity'")
    value = ValueAt(pointer=pointer, unit=inner.choice("unit", units, default=units[0]))
    inner.refuse_leftovers()
    return value
