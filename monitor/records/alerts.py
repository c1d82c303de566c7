"""What a person should hear: alerts, the routes by which they go out, and what is on its way."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, time, timedelta
from enum import StrEnum


class AlertKind(StrEnum):
    """What an alert is about."""

    leak = "leaks more"
    lid_open = "lid open"
    over_limit = "over limit"
    due = "due"
    weak_recharge = "weak recharge"
    silent = "silent"
    battery = "battery low"
    unlogged = "opened, not logged"
    plan = "drying day"
    undeclared = "seen, not declared"
    failed = "estimate failed"
    route = "route down"

    @property
    def slug(self) -> str:
        """Return its name as a level of a topic."""
        return self.name.replace("_", "-")


@dataclass(frozen=True, slots=True)
class Alert:
    """One thing a person should hear about one box."""

    box: str
    """Empty where it is about the whole shelf."""
    kind: AlertKind
    text: str
    about: str = ""
    """Tells alerts of one kind apart: the day of drying, the name of a route."""
    urgent: bool = False
    """Whether what is in the box is spoiled within days."""
    silent_for: str = field(default="", compare=False)
    """Of a silent box, for how long, as a person says it; 'ever' where nothing was ever heard."""


@dataclass(frozen=True, slots=True)
class StandingAlert:
    """An alert from when it was first found until it is over, with what a person has heard of it."""

    alert: Alert
    since: datetime
    clear_since: datetime | None = None
    """Since when it looks as if it were over; None while it does not."""
    heard_at: datetime | None = None
    """When a person said that they know."""
    ended_at: datetime | None = None
    alert_id: int = 0
    """0 for one that is not kept yet."""

    @property
    def key(self) -> tuple[str, AlertKind, str]:
        """Return what makes it the same alert as before."""
        return self.alert.box, self.alert.kind, self.alert.about


class MessageKind(StrEnum):
    """Why a message is sent."""

    first = "word"
    """The first message about an alert on this route."""
    again = "again"
    """Nobody has heard it yet."""
    over = "over"
    """The alert is over."""
    digest = "digest"
    """Several alerts in one message."""
    test = "test"


@dataclass(frozen=True, slots=True)
class Told:
    """One alert as a message tells it."""

    box: str
    matter: str
    """The kind of alert, by the name that programs are sent."""
    text: str
    kind: str
    urgent: bool
    since: str
    """ISO 8601, UTC."""
    ended_at: str | None = None
    about: str = ""


@dataclass(frozen=True, slots=True)
class Message:
    """A message that is ready to go out by one route; it stays the same however often it is tried."""

    uid: str
    """The same at every try, so that a receiver can tell a repeat."""
    route: str
    kind: MessageKind
    made_at: datetime
    subject: str
    text: str
    told: tuple[Told, ...]
    message_id: int = 0

    @property
    def urgent(self) -> bool:
        """Return whether one of its alerts is urgent."""
        return any(told.urgent for told in self.told)


@dataclass(frozen=True, slots=True)
class HeldMessage:
    """An alert on its way by one route that is not released yet."""

    message_id: int
    kind: MessageKind
    made_at: datetime
    standing: StandingAlert


@dataclass(frozen=True, slots=True)
class Sent:
    """How often an alert was put on its way by one route, and when it was sent last; None while one is on its way."""

    steps: int = 0
    sent_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class RouteState:
    """How a route is doing."""

    route: str
    waiting: int = 0
    """Messages that are ready and were not taken yet."""
    sent_at: datetime | None = None
    """When a message was taken last."""
    failing_since: datetime | None = None
    """None where the last try went well."""
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class QuietHours:
    """Hours of the day, by the clock of the site, in which a route is silent."""

    start: time
    end: time


@dataclass(frozen=True, slots=True)
class Digest:
    """The hour at which a route sends one message with all that waits."""

    at: time
    weekday: int | None = None
    """Monday is 0; None: every day."""


@dataclass(frozen=True, slots=True)
class MailAddress:
    """Where mail is handed in, and for whom."""

    host: str
    port: int
    security: str
    """'starttls', 'tls' or 'none'."""
    sender: str
    to: tuple[str, ...]
    username: str = ""
    password: str | None = field(default=None, repr=False)
    ca_file: str | None = None


@dataclass(frozen=True, slots=True)
class WebhookAddress:
    """Where messages are posted as JSON."""

    url: str = field(repr=False)
    secret: str | None = field(default=None, repr=False)
    """Key of the signature; None: messages are not signed."""
    ca_file: str | None = None


@dataclass(frozen=True, slots=True)
class AppriseUrls:
    """Addresses in the form of the apprise library; they have secrets in them."""

    urls: tuple[str, ...] = field(repr=False)


@dataclass(frozen=True, slots=True)
class Route:
    """One way by which alerts go out, as its owner declares it."""

    name: str
    kind: str
    """'mqtt', 'email', 'webhook' or 'apprise'."""
    target: MailAddress | WebhookAddress | AppriseUrls | None = None
    """None for MQTT: the broker of the site."""
    kinds: tuple[AlertKind, ...] = ()
    """Empty: all."""
    boxes: tuple[str, ...] = ()
    """Empty: all. What is about the whole shelf goes by every route."""
    quiet: QuietHours | None = None
    digest: Digest | None = None
    urgent_passes: bool = False
    """Whether urgent alerts wait neither for the end of quiet hours nor for the digest."""
    after: timedelta = timedelta()
    """So long an alert must have stood unheard before it goes by this route."""
    again_after: timedelta | None = None
    """So long after an alert that nobody heard it is said again; None: never."""
    says_end: bool = False
    """Whether it also says that an alert is over."""
    without_secret: str = ""
    """Why its secret can't be read, where it can't: only who sends needs it."""

    @property
    def joins(self) -> bool:
        """Whether alerts that are released together go out as one message: for people, not for programs."""
        return self.digest is not None or self.kind in ("email", "apprise")

    def takes(self, alert: Alert) -> bool:
        """Return whether an alert goes by this route; nothing goes by the route that it is about."""
        if alert.kind is AlertKind.route and alert.about == self.name:
            return False
        of_its_boxes = not self.boxes or not alert.box or alert.box in self.boxes
        return of_its_boxes and (not self.kinds or alert.kind in self.kinds)
