"""What the records hand out and take in: frozen values that know no database."""

from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from qc.quantities import CheckResult

DECISIONS = ("passed", "sent back", "downgraded", "discarded")
CORRECTABLE = ("decorator", "kind", "time", "notes", "kitchen_temperature_c", "rush", "recipe_change")
SEEN, LEFT_OUT, TAKEN_IN = "seen", "left out", "taken in again"
EFFECTS = ("", SEEN, LEFT_OUT, TAKEN_IN)


@dataclass(frozen=True)
class StoreSettings:
    """How the records behave."""

    busy_timeout_ms: int = 5000  # ms; a save takes some 20 ms, so five seconds is a queue, not a hiccup
    hold_hours: float = 24.0  # h; a decorator has a working day to comment before a cake counts in a trend
    received_hours: float = 24.0  # h; uploads that were never saved are deleted after a day
    longest_pseudonym: int = 80  # characters; what fits a chart's legend
    longest_text: int = 4000  # characters; a note, a reason, a comment


@dataclass(frozen=True)
class Decorator:
    """A person, by pseudonym only."""

    id: int
    pseudonym: str
    role: str = ""  # free text, such as "apprentice"
    invented: bool = False


@dataclass(frozen=True)
class StandardVersion:
    """One version of the house standard for one kind of cake, as TOML text."""

    id: int
    kind: str
    version: int  # 1, 2, ... counted by the records per kind
    text: str
    valid_from: datetime
    note: str = ""
    invented: bool = False


@dataclass(frozen=True)
class Circumstances:
    """Optional notes that charts can mark."""

    kitchen_temperature_c: float | None = None
    rush: bool | None = None
    recipe_change: str = ""
    notes: str = ""


@dataclass(frozen=True)
class NewCheck:
    """Everything that is saved with one finished cake.

    Attributes
    ----------
    photos : dict[str, bytes]
        The original files' bytes by "top", "side", "side2"; personal EXIF is removed before they are stored.
    judgement : qc.verdict judgement or None
        Kept whole; its verdict and points are what lists show.
    standard_id : int or None
        The StandardVersion that judged it.
    token : str or None
        Any text that names this submission: saving the same token twice keeps one record and gives its id again, so a
        reloaded page or a second tap loses and doubles nothing.
    """

    decorator: str
    kind: str
    result: CheckResult
    photos: dict[str, bytes] = field(default_factory=dict)
    judgement: Any = None
    standard_id: int | None = None
    order: dict[str, float] = field(default_factory=dict)
    circumstances: Circumstances = Circumstances()
    time: datetime | None = None  # when the cake was checked; now when left out
    first_photo_time: datetime | None = None
    token: str | None = None
    decision: str | None = None  # the chef's, where it is already made
    decision_reason: str = ""
    decision_by: str = ""
    invented: bool = False


@dataclass(frozen=True)
class StoredPhoto:
    """One photo on disk, without personal EXIF."""

    sha256: str  # of the stored bytes
    original_sha256: str
    path: Path
    width_px: int
    height_px: int


@dataclass(frozen=True)
class Take:
    """One measurement of a check's photos; the first is the check itself, later ones are re-measurements."""

    id: int
    time: datetime
    reason: str
    program: str  # version that measured
    result: CheckResult


@dataclass(frozen=True)
class JudgementRecord:
    """One judgement of a take by one version of a standard."""

    id: int
    take_id: int
    standard_id: int | None
    time: datetime
    verdict: str
    points: float | None
    points_uncertainty: float | None
    judgement: Any


@dataclass(frozen=True)
class Decision:
    """What the chef did with the cake."""

    id: int
    time: datetime
    decision: str
    reason: str
    by: str


@dataclass(frozen=True)
class Comment:
    """A remark; `effect` says whether it changed if the cake counts in trends."""

    id: int
    time: datetime
    author: str
    text: str
    effect: str


@dataclass(frozen=True)
class Correction:
    """A corrected entry; the earlier value stays here."""

    id: int
    time: datetime
    field: str
    earlier: str
    now: str
    reason: str
    by: str


@dataclass(frozen=True)
class Baseline:
    """The period that the limits of a chart come from, as the chef set it."""

    kind: str
    decorator: str | None  # None: the whole bench
    start: datetime
    end: datetime
    set_at: datetime


@dataclass(frozen=True)
class AgreementCell:
    """How many cakes of a verdict got a decision from the chef."""

    verdict: str
    decision: str
    cakes: int


@dataclass(frozen=True)
class PurgeReport:
    """What a retention limit deleted."""

    checks: int
    photos: int


@dataclass(frozen=True)
class CheckSummary:
    """One line of the list of cakes so far."""

    id: int
    time: datetime
    decorator: str
    kind: str
    verdict: str | None
    points: float | None
    points_uncertainty: float | None
    decision: str | None  # the latest
    takes: int
    comments: int
    counts: bool
    invented: bool


@dataclass(frozen=True)
class CheckRecord:
    """Everything that is known of one check."""

    id: int
    time: datetime
    decorator: str
    kind: str
    order: dict[str, float]
    circumstances: Circumstances
    first_photo_time: datetime | None
    counts: bool
    invented: bool
    standard: StandardVersion | None  # the one that judged it when it was saved
    photos: dict[str, StoredPhoto]
    takes: tuple[Take, ...]
    judgements: tuple[JudgementRecord, ...]
    decisions: tuple[Decision, ...]
    comments: tuple[Comment, ...]
    corrections: tuple[Correction, ...]

    @property
    def result(self) -> CheckResult:
        """The latest measurement."""
        return self.takes[-1].result

    @property
    def judgement(self) -> JudgementRecord | None:
        """The latest judgement."""
        return self.judgements[-1] if self.judgements else None

    @property
    def decision(self) -> Decision | None:
        """The chef's latest decision."""
        return self.decisions[-1] if self.decisions else None
