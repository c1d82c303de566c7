"""How far each isotherm lies from what was measured: `python tests/published/error_tables.py` prints the tables.

Errors are rms and bias in g/g and the median relative error in per cent, the last over loadings above 0.01 g/g.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from published.tables_read import published

from monitor.physics.materials import isotherm_of
from monitor.physics.saturation import saturation_vapor_pressure_pa
from monitor.physics.sorption import DubininAstakhov, Toth, TwoTermDubinin

Floats = NDArray[np.float64]
Loading = Callable[[Floats, Floats], Floats]


@dataclass(frozen=True)
class Points:
    """Measured loadings of one material, lot and branch."""

    temperature_degc: Floats
    relative_humidity: Floats
    loading_g_per_g: Floats
    lot: tuple[str, ...] = ()


@dataclass(frozen=True)
class Errors:
    rms: float
    bias: float
    median_pct: float
    n: int

    def __str__(self) -> str:
        return f"{self.rms:.3f} / {self.bias:+.3f} / {self.median_pct:.0f}"


def points(material: str | None = None, lot: str | None = None, branch: str = "wetting") -> Points:
    """Measured points only: minima, trade slopes and hydrate steps are other tests' business."""
    branches = ("des",) if branch == "drying" else ("ads", "isobar")
    rows = [
        row
        for row in published("sorption")
        if row["kind"] == "point" and row["branch"] in branches and material in (None, row["material"])
        if lot in (None, row["lot"])
    ]
    columns = (np.array([float(row[name]) for row in rows]) for name in ("T_C", "RH_pct", "loading_g_per_g_dry"))
    t, rh, q = columns
    return Points(t, rh / 100.0, q, tuple(row["lot"] for row in rows))


def errors(loading: Loading, at: Points) -> Errors:
    miss = loading(at.relative_humidity, at.temperature_degc) - at.loading_g_per_g
    enough = at.loading_g_per_g > 0.01
    median = np.median(np.abs(miss[enough] / at.loading_g_per_g[enough])) if enough.any() else np.nan
    return Errors(float(np.sqrt(np.mean(miss**2))), float(np.mean(miss)), 100.0 * float(median), miss.size)


def freundlich(q0: Callable[[Floats], Floats], m: Callable[[Floats], Floats]) -> Loading:
    return lambda rh, t: q0(t + 273.15) * rh ** m(t + 273.15)


def toth_from_capacity(k0: float, heat: float, most: float, t: float) -> Loading:
    """q = x / (1 + (x/qm)^t)^(1/t), x = K0 exp(dH/(Rw T)) p; K0 in 1/kPa, dH in kJ/kg (Chua et al.)."""

    def loading(rh: Floats, degc: Floats) -> Floats:
        p_kpa = rh * np.asarray(saturation_vapor_pressure_pa(degc)) / 1e3
        x = k0 * np.exp(heat / (0.461523 * (degc + 273.15))) * p_kpa
        return np.asarray(x / (1.0 + (x / most) ** t) ** (1.0 / t))

    return loading


def _cubic(*coefficients: float) -> Callable[[Floats], Floats]:
    return lambda kelvin: np.asarray(sum(c * kelvin**k for k, c in enumerate(coefficients)))


GEL_SETS: dict[str, Loading] = {
    "two-term Dubinin (ours)": TwoTermDubinin((0.210, 0.123), (3370.0, 7200.0), (2.0, 1.30)).loading_g_per_g,
    "Toth A, Chua 2002": toth_from_capacity(4.65e-10, 2710.0, 0.4, 10.0),
    "Toth RD, Chua 2004": toth_from_capacity(7.3e-10, 2693.0, 0.45, 12.0),
    "Toth, Wang-LeVan 2009": Toth(176.7, 2.787e-5, 1093.0, -0.00119, 22.13).loading_g_per_g,
    "Dubinin-Astakhov, Sapienza 2017": DubininAstakhov(0.38, 3962.2, 1.1).loading_g_per_g,
    "Dubinin-Astakhov RD, Thu 2013": DubininAstakhov(0.326, 4384.0, 1.35).loading_g_per_g,
    "Freundlich, Sakoda-Suzuki 1984": freundlich(_cubic(0.346), _cubic(0.625)),
    "Freundlich cubic, Saha 2003": freundlich(
        _cubic(31.198, -0.2665, 7.69e-4, -7.3898e-7), _cubic(41.581, -0.35435, 1.0199e-3, -9.7034e-7)
    ),
}
"""Published constants for regular-density gel, beside ours; sources in monitor/physics/README.md."""

GEL_LOTS = tuple(f"lot{letter}" for letter in "ABCDEFGH")

MATERIALS = (
    "silica_gel_regular_density", "silica_gel_type_A", "silica_gel_type_RD",
    "silica_gel_regular_density_large_pore_volume", "silica_gel_unspecified", "silica_gel_orange_indicating",
    "molecular_sieve_A_type", "molecular_sieve_4A", "molecular_sieve_5A", "molecular_sieve_13X", "activated_alumina",
    "linerboard", "PA6", "PA12", "PA66",
)  # fmt: skip


def gel_table() -> str:
    lines = ["| set | " + " | ".join(GEL_LOTS) + " |", "|---" * (len(GEL_LOTS) + 1) + "|"]
    for name, loading in GEL_SETS.items():
        cells = [str(errors(loading, points(lot=lot))) for lot in GEL_LOTS]
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def material_table() -> str:
    lines = ["| material | points | rms g/g | bias g/g | median, % |", "|---|--:|--:|--:|--:|"]
    for name in MATERIALS:
        e = errors(isotherm_of(name).loading_g_per_g, points(name))  # type: ignore[arg-type]
        lines.append(f"| {name} | {e.n} | {e.rms:.4f} | {e.bias:+.4f} | {e.median_pct:.1f} |")
    return "\n".join(lines)


if __name__ == "__main__":
    print(gel_table(), material_table(), sep="\n\n")
