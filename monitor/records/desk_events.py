"""What a person does with beads at the recharge desk, one frozen value an event; the log of them is the whole truth.

Lots, charges and drying runs are never stored: ``monitor/desk/apply_events.py`` replays the events. Masses are grams
of beads with their water and without their holder; weighings stay as they were shown, a correction is an event of its
own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date, datetime

SPARE = "spare"
BOX = "box:"
"""A charge's place is 'spare', 'box:NAME' or, while it is being dried, 'in:APPLIANCE'."""
APPLIANCE = "in:"


@dataclass(frozen=True, slots=True)
class LotBought:
    """Beads bought together: they share kind, dye, age and capacity."""

    lot: str
    desiccant: str
    mass_g: float
    bought_on: date | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class ChargePortioned:
    """Beads weighed out of a lot into a holder."""

    charge: str
    lot: str
    mass_g: float
    holder: str = ""
    """What they sit in: 'glass', 'ceramic', 'metal', a polymer such as 'PETG', or '' for loose beads."""
    tare_g: float | None = None
    state: str = "unknown"
    """'new' from the bag, 'dried', 'room' (has lain open in the room) or 'unknown'."""
    of_box: str = ""
    """The box whose log says what they weigh, where they came out of one that the desk had not heard of."""
    dry_mass_g: float | None = None
    """When fully dry, by that log."""
    dried_g: float | None = None
    """After their last drying, by that log."""


@dataclass(frozen=True, slots=True)
class ChargeMoved:
    """A charge was put somewhere else; what it takes the place of becomes spare."""

    charge: str
    place: str
    out: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ChargeSplit:
    """Part of a charge became a charge of its own; both are as wet as they were."""

    charge: str
    into: str
    mass_g: float


@dataclass(frozen=True, slots=True)
class ChargesMerged:
    """A charge was poured into another of the same lot."""

    charge: str
    into: str


@dataclass(frozen=True, slots=True)
class ChargeToppedUp:
    """New beads of the same lot were added to a charge."""

    charge: str
    mass_g: float


@dataclass(frozen=True, slots=True)
class ChargeRetired:
    """A charge is used no more."""

    charge: str
    reason: str = ""


@dataclass(frozen=True, slots=True)
class ColorSeen:
    """What color the beads of a charge showed."""

    charge: str
    color: str


@dataclass(frozen=True, slots=True)
class RunStarted:
    """A charge went into an appliance, in this room."""

    run: str
    charge: str
    appliance: str
    appliance_kind: str
    room_temperature_degc: float
    room_relative_humidity: float
    room_from: str = "told"
    """'sensor', 'told', 'shelf file' or 'assumed'."""
    temperature_degc: float | None = None
    power_w: float | None = None
    tare_g: float = 0.0
    """The empty holder on the same scale; 0 where the scale was zeroed with it."""


@dataclass(frozen=True, slots=True)
class RunWeighed:
    """What the scale showed after so much heating in all."""

    run: str
    heated_s: float
    shown_g: float
    """With the holder, as the scale showed it."""
    resolution_g: float = 1.0
    hot: bool = False
    """Weighed before the beads had cooled: the reading is kept and counts for less."""
    factor: float = 1.0
    """Grams for one of what the scale showed, where it stood on something else and the person said so."""
    tare_factor: float | None = None
    """The same for the empty holder, where it was not weighed on the scale as it stood now: 1 for true grams."""
    tare_g: float | None = None
    """Another empty holder than the run began with."""


@dataclass(frozen=True, slots=True)
class HeatTimed:
    """A timer was set, stopped or set going again, so that every device shows the same one.

    It is a help to whoever waits, not evidence: the heat that counts is what the next weighing says.
    """

    run: str
    planned_s: float
    """When it rings, counted in heat since the last weighing."""
    heated_s: float = 0.0
    """Heat since the last weighing when this was logged."""
    going: bool = True
    clock_s: float = 0.0
    """Unix time on the machine's own clock, as that of a recording stands still."""


@dataclass(frozen=True, slots=True)
class ScaleCorrected:
    """The person agreed that the scale had stood on something else all along: each weighing of a run is multiplied."""

    run: str
    factor: float
    because: str = ""
    tare_factor: float | None = None
    """The same for the empty holder, where it was not weighed on the scale as it stood: 1 for true grams."""


@dataclass(frozen=True, slots=True)
class BeadsSpilled:
    """Beads fell out of a run, with the water they held."""

    run: str
    after_weighings: int
    """How many weighings of the run were on the scale before it happened."""
    lost_g: float | None = None
    """How much fell out; None where nobody knows, and the next weighings tell."""


@dataclass(frozen=True, slots=True)
class BeadsStirred:
    """The beads of a run were stirred, after what was weighed so far.

    No evidence: the drying curve has no term for it, and what it brought is what the next weighings say.
    """

    run: str


WIDEST_KNOWN_G_PER_G = 0.06
"""A wider 90 % interval of water left does not tell dry beads from spent ones. [g/g] Judgement: 6 % more or less moves
the air over gel by some 10 % RH, half of a usual limit."""


def is_known(least_g_per_g: float, most_g_per_g: float) -> bool:
    """Return whether a loading is known well enough to say that beads are dry, or that they are not."""
    return most_g_per_g - least_g_per_g <= WIDEST_KNOWN_G_PER_G


@dataclass(frozen=True, slots=True)
class RunFinished:
    """A run is over, with what the weighings told of the beads."""

    run: str
    verdict: str
    end_mass_g: float
    dry_mass_g: float
    dry_mass_relative_sd: float
    start_loading_g_per_g: float
    loading_g_per_g: tuple[float, float, float]
    """5 %, 50 % and 95 %."""
    time_constant_s: float
    fits: bool = True
    """Whether a drying curve explained the weighings; where none did, the run teaches nothing of lot and appliance."""
    kept_share: float = 1.0
    """Share of the beads that stayed in the run."""

    @property
    def left_is_known(self) -> bool:
        """Whether the water left was known well enough to call the beads dry."""
        return is_known(self.loading_g_per_g[0], self.loading_g_per_g[-1])


@dataclass(frozen=True, slots=True)
class JarChecked:
    """A hygrometer over the cooled beads of a charge in a closed jar, once it came to rest."""

    charge: str
    relative_humidity: float
    temperature_degc: float
    accuracy: float = 0.03  # fraction; judgement: of common digital hygrometers, as in `records.SensorSpec`
    loading_g_per_g: tuple[float, float, float] | None = None
    """Loading of the charge with this check taken into account."""


@dataclass(frozen=True, slots=True)
class ChargeSaturated:
    """A charge lay open until it took up no more from this air: a reference point for what its lot still takes up."""

    charge: str
    relative_humidity: float
    temperature_degc: float
    mass_g: float | None = None
    """Its weight then; None where the next run will tell."""


DeskEvent = (
    LotBought
    | ChargePortioned
    | ChargeMoved
    | ChargeSplit
    | ChargesMerged
    | ChargeToppedUp
    | ChargeRetired
    | ColorSeen
    | RunStarted
    | RunWeighed
    | HeatTimed
    | ScaleCorrected
    | BeadsSpilled
    | BeadsStirred
    | RunFinished
    | JarChecked
    | ChargeSaturated
)


@dataclass(frozen=True, slots=True)
class LoggedEvent:
    """An event with its number and the instant it speaks of."""

    event_id: int
    at: datetime
    event: DeskEvent
