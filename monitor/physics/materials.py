"""What is known of each desiccant, filament polymer and board, read from the tables beside this module."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np

from monitor.errors import OutOfRangeError
from monitor.physics.drying import JAR_DEGC
from monitor.physics.numerics import Numeric, plain
from monitor.physics.psychrometrics import REFERENCE_DEGC
from monitor.physics.saturation import GAS_CONSTANT_J_PER_MOL_PER_K
from monitor.physics.sorption import GAB, DubininAstakhov, Isotherm, Mixture, PiecewiseLinear, Toth, TwoTermDubinin
from monitor.physics.sorption.caveats import Ageing, Ceiling, Dye, Hysteresis
from monitor.units import KELVIN_AT_0_DEGC, SECONDS_PER_DAY

_FORMS: Mapping[str, type[Isotherm]] = {
    form.__name__: form for form in (TwoTermDubinin, DubininAstakhov, Toth, GAB, PiecewiseLinear)
}

STRAND_MM = 1.75
"""Diameter of filament where nothing else is said. A judgement: the size most of it is sold in."""


@dataclass(frozen=True)
class Desiccant:
    """A desiccant: its isotherm, how far lots differ, and what else to know before trusting or heating it."""

    kind: str
    title: str
    isotherm: Isotherm
    sigma_ln_capacity: float
    sigma_ln_capacity_known: float
    temperature_range_degc: tuple[float, float]
    humidity_range: tuple[float, float]
    humidity_shows: str
    other_shape: str | None
    source: str
    verified: str
    weak: bool
    dry_heat_capacity_kj_per_kg_per_k: float
    ceiling: Ceiling
    dye: Dye | None
    hysteresis: Hysteresis | None
    ageing: Ageing | None

    @property
    def max_regeneration_degc(self) -> float:
        """The lower of what the beads and what their dye stand. [°C]"""
        return min(self.ceiling.max_degc, self.dye.max_degc if self.dye else np.inf)


@dataclass(frozen=True)
class Polymer:
    """A filament polymer: how much water it holds at rest and how slowly it lets go of it."""

    kind: str
    isotherm: Isotherm
    sigma_ln_uptake: float
    diffusivity_23_m2_per_s: float
    diffusion_energy_kj_per_mol: float
    glass_transition_degc: tuple[float, float]
    drying_degc: tuple[float, float]
    storage_humidity_max: float
    verified: Mapping[str, str]
    source: str

    def diffusivity_m2_per_s(self, temperature_degc: Numeric) -> Numeric:
        """Return D = D23 exp(-(Ea/R)(1/T - 1/296.15 K)), Arrhenius' law.

        Parameters
        ----------
        temperature_degc : float or ndarray
            [°C]

        Returns
        -------
        float or ndarray
            As good as the polymer's row in the table. [m²/s]
        """
        inverse = 1.0 / (temperature_degc + KELVIN_AT_0_DEGC) - 1.0 / (REFERENCE_DEGC + KELVIN_AT_0_DEGC)
        energy = 1e3 * self.diffusion_energy_kj_per_mol / GAS_CONSTANT_J_PER_MOL_PER_K
        return plain(self.diffusivity_23_m2_per_s * np.exp(-energy * inverse))

    def strand_time_constant_days(self, temperature_degc: Numeric = REFERENCE_DEGC) -> Numeric:
        """Return a²/(5.78 D), the slowest mode of one strand in moving air (Crank 1975, eq. 5.23).

        Parameters
        ----------
        temperature_degc : float or ndarray
            [°C]

        Returns
        -------
        float or ndarray
            [days]

        Examples
        --------
        >>> round(24.0 * polymer("PETG").strand_time_constant_days())
        37
        """
        radius_m = STRAND_MM / 2e3  # half of it, and 1000 mm a meter by definition
        # 5.783, no unit, is the square of the first zero of J0: Crank (1975), eq. 5.23
        return radius_m**2 / (5.783 * self.diffusivity_m2_per_s(temperature_degc)) / SECONDS_PER_DAY

    def spool_time_constant_days(self, temperature_degc: Numeric = REFERENCE_DEGC) -> Numeric:
        """Return the same for a wound spool, whose layers shade one another.

        Real spools are three to ten times slower than a strand (from memory); the middle of that is taken, and its
        spread is a factor of two on top of that of the diffusivity.

        Parameters
        ----------
        temperature_degc : float or ndarray
            [°C]

        Returns
        -------
        float or ndarray
            [days]
        """
        return WINDING_FACTOR * self.strand_time_constant_days(temperature_degc)

    @property
    def weak(self) -> bool:
        """True where uptake or diffusivity was recalled and not read in a source."""
        return "memory" in (self.verified["uptake"], self.verified["diffusivity"])


WINDING_FACTOR = 5.5
"""A wound spool's time constant over a strand's, a ratio: the middle of 3 to 10, from memory."""


@dataclass(frozen=True)
class Cardboard:
    """Spool board: grams of water, given off within a day or two."""

    isotherm: Isotherm
    sigma_ln_uptake: float
    humidity_range: tuple[float, float]
    time_constant_days: float
    source: str
    verified: str


def desiccant(kind: str) -> Desiccant:
    """Return what is known of a desiccant, by its name or an everyday alias, or of a mixture (see ``mixed_kind``).

    Raises
    ------
    OutOfRangeError
        If the kind is not in the tables; the message lists those that are.

    Examples
    --------
    >>> desiccant("silica_regular").kind
    'silica_gel_regular_density'
    >>> round(desiccant("silica_regular 0.75 + 4a 0.25").isotherm.loading_g_per_g(0.2, 25.0), 2)
    0.16
    """
    parts = parts_of(kind)
    return _mixture(mixed_kind(parts)) if len(parts) > 1 else _desiccant(parts[0][0])


def mixed_kind(parts: Sequence[tuple[str, float]]) -> str:
    """Return the name of what lies side by side in one box: each kind with its share of the dry mass.

    Parameters
    ----------
    parts : sequence of (kind, dry mass)
        A kind may itself be a mixture, and come twice. [g, or any one unit]

    Examples
    --------
    >>> mixed_kind([("silica_regular", 150.0), ("clay", 50.0)])
    'silica_gel_regular_density 0.75 + montmorillonite_clay 0.25'
    >>> mixed_kind([("clay", 150.0), ("clay", 50.0)])
    'montmorillonite_clay'
    """
    masses: dict[str, float] = {}
    for kind, mass in parts:
        for part, share in parts_of(kind):
            masses[part] = masses.get(part, 0.0) + mass * share
    whole = sum(masses.values())
    if len(masses) == 1:
        return next(iter(masses))
    return _BESIDE.join(f"{part} {mass / whole:.4g}" for part, mass in masses.items())


def parts_of(kind: str) -> tuple[tuple[str, float], ...]:
    """Return the kinds that a name stands for, each with its share of the dry mass.

    >>> parts_of("silica_regular 0.75 + clay 0.25")
    (('silica_gel_regular_density', 0.75), ('montmorillonite_clay', 0.25))
    """
    if _BESIDE not in kind:
        return ((_canonical(kind, "desiccants"), 1.0),)
    named = [part.rpartition(" ") for part in kind.split(_BESIDE)]
    try:
        shares = [float(share) for _, _, share in named]
    except ValueError:
        raise OutOfRangeError(f"{kind!r} is no mixture; write one as 'silica_regular 0.75 + clay 0.25'") from None
    if min(shares) <= 0.0:
        raise OutOfRangeError(f"{kind!r} is no mixture; each share has to be above 0")
    whole = sum(shares)
    return tuple((_canonical(name, "desiccants"), s / whole) for (name, _, _), s in zip(named, shares, strict=True))


def polymer(kind: str) -> Polymer:
    """Return what is known of a filament polymer.

    Examples
    --------
    >>> polymer("nylon").kind
    'PA6'
    """
    return _polymer(_canonical(kind, "polymers"))


@cache
def cardboard() -> Cardboard:
    """Return what is known of spool board.

    Examples
    --------
    >>> round(cardboard().isotherm.loading_g_per_g(0.5, 23.0), 3)
    0.067
    """
    row = dict(_table("cardboard")["cardboard"])
    row.pop("aliases")
    isotherm = GAB(*(row.pop(name) for name in ("monolayer_g_per_g", "energy_constant", "multilayer_constant")))
    return Cardboard(isotherm=isotherm, **_frozen(row))


def desiccant_kinds() -> tuple[str, ...]:
    """Return the name of every desiccant in the tables."""
    return tuple(_table("desiccants"))


def polymer_kinds() -> tuple[str, ...]:
    """Return the name of every polymer in the tables."""
    return tuple(_table("polymers"))


def aliases_of(kind: str) -> tuple[str, ...]:
    """Return the other names a material answers to."""
    for name in _TABLES:
        if kind in _table(name):
            return tuple(_table(name)[kind]["aliases"])
    return ()


def kind_of(name: str) -> str:
    """Return the kind of desiccant, polymer or board that a name or alias stands for.

    >>> kind_of("Orange gel"), kind_of("PA6-CF")
    ('silica_gel_orange_indicating', 'PA_carbon_fiber')
    """
    for table in _TABLES:
        if _plain_name(name) in _names(table):
            return _names(table)[_plain_name(name)]
    known = ", ".join(kind for table in _TABLES for kind in _table(table))
    raise OutOfRangeError(f"{name!r} is not a material we know; known are {known}")


def isotherm_of(name: str) -> Isotherm:
    """Return the isotherm of any material of the tables: desiccant, polymer or board."""
    kind = kind_of(name)
    if kind in _table("desiccants"):
        return desiccant(kind).isotherm
    return polymer(kind).isotherm if kind in _table("polymers") else cardboard().isotherm


_TABLES = ("desiccants", "polymers", "cardboard")
_BESIDE = " + "


@cache
def _desiccant(kind: str) -> Desiccant:
    row = dict(_table("desiccants")[kind])
    if "like" in row:
        row = {**_table("desiccants")[row.pop("like")], **row}
    cautions = _table("cautions")
    dye, hysteresis, ageing = (row.pop(name, None) for name in ("dye", "hysteresis", "ageing"))
    row.setdefault("other_shape", None)
    row["ceiling"] = Ceiling(**cautions["ceilings"][row.pop("ceilings")])
    row["isotherm"] = _FORMS[row.pop("form")](**_frozen(row.pop("parameters")))
    row.pop("aliases")
    return Desiccant(
        kind=kind,
        dye=Dye(**cautions["dyes"][dye]) if dye else None,
        hysteresis=Hysteresis(**_frozen(cautions["hysteresis"][hysteresis])) if hysteresis else None,
        ageing=Ageing(**cautions["ageing"][ageing]) if ageing else None,
        **_frozen(row),
    )


@cache
def _mixture(kind: str) -> Desiccant:
    """Isotherms add up by share; limits are the strictest; how far lots differ adds up as of independent lots."""
    shares = [share for _, share in parts_of(kind)]
    parts = [_desiccant(part) for part, _ in parts_of(kind)]
    # at 40 % RH: judgement, wet enough that every kind holds what it is bought for
    held = _by_share(shares, [float(part.isotherm.loading_g_per_g(0.4, JAR_DEGC)) for part in parts])
    shown = {part.humidity_shows for part in parts}
    return Desiccant(
        kind=kind,
        title=" and ".join(part.title for part in parts),
        isotherm=Mixture(tuple(part.isotherm for part in parts), tuple(shares)),
        sigma_ln_capacity=_spread(held, [part.sigma_ln_capacity for part in parts]),
        sigma_ln_capacity_known=_spread(held, [part.sigma_ln_capacity_known for part in parts]),
        temperature_range_degc=_common([part.temperature_range_degc for part in parts]),
        humidity_range=_common([part.humidity_range for part in parts]),
        humidity_shows=next(word for word in ("phase", "fill", "little") if word in shown),
        other_shape=None,
        source="; ".join(dict.fromkeys(part.source for part in parts)),
        verified="; ".join(dict.fromkeys(part.verified for part in parts)),
        weak=any(part.weak for part in parts),
        dry_heat_capacity_kj_per_kg_per_k=sum(
            _by_share(shares, [part.dry_heat_capacity_kj_per_kg_per_k for part in parts])
        ),
        ceiling=min((part.ceiling for part in parts), key=lambda ceiling: ceiling.max_degc),
        dye=next((part.dye for part in parts if part.dye), None),
        hysteresis=None,
        ageing=next((part.ageing for part in parts if part.ageing), None),
    )


def _by_share(shares: Sequence[float], values: Sequence[float]) -> list[float]:
    return [share * value for share, value in zip(shares, values, strict=True)]


def _spread(held: Sequence[float], sigmas: Sequence[float]) -> float:
    """Return how far what a mixture holds differs from lot to lot, where its parts hold so much. [ln capacity]"""
    of_parts = np.array(held) * np.array(sigmas)
    return float(np.sqrt(np.sum(of_parts**2)) / np.sum(held))


def _common(ranges: Sequence[tuple[float, float]]) -> tuple[float, float]:
    return max(low for low, _ in ranges), min(high for _, high in ranges)


@cache
def _polymer(kind: str) -> Polymer:
    row = _frozen(_table("polymers")[kind])
    row.pop("aliases")
    isotherm = PiecewiseLinear(row.pop("humidities"), row.pop("uptakes_g_per_g"))
    return Polymer(kind=kind, isotherm=isotherm, **row)


def _frozen(row: Mapping[str, Any]) -> dict[str, Any]:
    return {name: tuple(value) if isinstance(value, list) else value for name, value in row.items()}


@cache
def _table(name: str) -> Mapping[str, Any]:
    return tomllib.loads((files("monitor.physics") / "tables" / f"{name}.toml").read_text(encoding="utf-8"))


@cache
def _names(table: str) -> Mapping[str, str]:
    """Every name and alias in its plain form, with the kind it stands for."""
    rows = _table(table)
    return {_plain_name(name): kind for kind, row in rows.items() for name in (*row["aliases"], kind)}


def _plain_name(name: str) -> str:
    return name.strip().lower().replace("-", "_").replace(" ", "_")


def _canonical(kind: str, table: str) -> str:
    try:
        return _names(table)[_plain_name(kind)]
    except KeyError:
        known = ", ".join(_table(table))
        raise OutOfRangeError(f"{kind!r} is not among the {table}; known are {known}") from None
