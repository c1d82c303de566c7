"""The boxes of a site by the Homie convention, version 5: one device, with a node for each box.

The convention is open and published (homieiot.github.io); its details here are from memory. One device, because one
connection has one last will: where that is lost, so are all boxes.
"""

from __future__ import annotations

import json
import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from monitor.records import BoxState
from monitor.units import ONE_DAY

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from monitor.presentation.wording import Wording
    from monitor.records import Assessment

PREFIX = "homie/5"
_PLAIN = frozenset("abcdefghijklmnopqrstuvwxyz0123456789")
_STATES = tuple(state for state in BoxState if state is not BoxState.undeclared)


@dataclass(frozen=True, slots=True)
class HomieDevice:
    """What the broker is to retain of a site."""

    device_id: str
    description: Mapping[str, Any]
    values: Mapping[str, str]
    """By node and property, joined by a slash."""

    @property
    def root(self) -> str:
        """Return where all its topics begin."""
        return f"{PREFIX}/{self.device_id}"


def homie_device(assessments: Iterable[Assessment], site: str, wording: Wording) -> HomieDevice:
    """Return a site with its declared boxes; a property that nothing is known of is not declared."""
    nodes: dict[str, Any] = {}
    values: dict[str, str] = {}
    for answer in assessments:
        if answer.state is BoxState.undeclared:
            continue
        node, properties = f"box-{homie_id(answer.box.name)}", {}
        for name, declared, value in _properties(answer, wording):
            properties[name] = {**declared, "settable": False, "retained": True}
            values[f"{node}/{name}"] = value
        nodes[node] = {"name": answer.box.name, "type": "dry box", "properties": properties}
    version = zlib.crc32(json.dumps([site, nodes], sort_keys=True).encode())
    description = {"homie": "5.0", "version": version, "name": f"siccast {site}", "nodes": nodes}
    return HomieDevice(device_id(site), description, values)


def device_id(site: str) -> str:
    """Return the name of a site's device."""
    return f"siccast-{homie_id(site)}"


def topics_of(description: object) -> set[str]:
    """Return node and property of all values that a description declares; nothing where it is none."""
    nodes = description.get("nodes") if isinstance(description, dict) else None
    found: set[str] = set()
    for node, content in nodes.items() if isinstance(nodes, dict) else ():
        properties = content.get("properties") if isinstance(content, dict) else None
        found |= {f"{node}/{name}" for name in properties} if isinstance(properties, dict) else set()
    return {topic for topic in found if all(sign in _PLAIN | {"-", "/"} for sign in topic)}


def homie_id(name: str) -> str:
    """Return a name in the letters that Homie allows (a to z, digits, dash), each name another one.

    A dash is doubled; any other letter stands as its code point between a dash and a z, and so does a dash at the end.

    >>> homie_id("left-top"), homie_id("PA6 dry"), homie_id("a-")
    ('left--top', '-50z-41z6-20zdry', 'a-2dz')
    """
    return "".join(
        sign if sign in _PLAIN else "--" if sign == "-" and place < len(name) - 1 else f"-{ord(sign):x}z"
        for place, sign in enumerate(name)
    )


def _properties(answer: Assessment, wording: Wording) -> Iterator[tuple[str, dict[str, str], str]]:
    state = {"name": "State", "datatype": "enum", "format": ",".join(map(_dashed, _STATES))}
    yield "state", state, _dashed(answer.state)
    yield "limit", _per_cent("Humidity limit"), f"{100.0 * answer.box.humidity_limit:.1f}"
    if answer.latest is not None:
        yield "humidity", _per_cent("Humidity"), f"{100.0 * answer.latest.relative_humidity:.1f}"
        unit = "°F" if wording.fahrenheit else "°C"
        temperature = {"name": "Temperature", "datatype": "float", "unit": unit}
        yield "temperature", temperature, f"{wording.degrees(answer.latest.temperature_degc):.2f}"
    if answer.due_at is not None:
        days = {"name": "Days until due", "datatype": "float", "unit": "d", "format": "0:"}
        yield "days-until-due", days, f"{max(0.0, (answer.due_at - answer.as_of) / ONE_DAY):.1f}"
    if answer.forecast is not None:
        used = {**_per_cent("Capacity used"), "format": "0:"}
        yield "capacity-used", used, f"{100.0 * max(0.0, answer.forecast.capacity_used.p50):.1f}"


def _per_cent(name: str) -> dict[str, str]:
    return {"name": name, "datatype": "float", "unit": "%", "format": "0:100"}


def _dashed(state: BoxState) -> str:
    return state.value.replace(",", "").replace(" ", "-")
