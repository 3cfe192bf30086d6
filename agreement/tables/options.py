"""
The choices of one study: what `study.toml` may say, with the defaults of every key.

Plain frozen data; `study_file` fills it from the file. A key takes what its type says, or what a
check beside the type lets pass; what it means stands in `new_study.toml`.
"""

from dataclasses import asdict, dataclass, field
from datetime import date
from typing import Annotated, Any, Final, Literal, get_args

from agreement.tables import key_checks as check

STUDY_FILE: Final = "study.toml"
Summary = Literal["mean", "median", "nearest", "last"]
SUMMARIES: Final[tuple[Summary, ...]] = get_args(Summary)
Kind = Literal["squad", "validation", "audit", "brief"]
KINDS: Final[tuple[Kind, ...]] = get_args(Kind)
FixedBinsFrom = Literal["first breath", "clock"]
LastBin = Literal["drop", "keep at least half"]
Zones = Literal["share of HRmax", "own thresholds"]
Against = Literal["laboratory test", "true value"]
HrMaxFormula = Literal[
    "220_minus_age_1971",
    "208_minus_0.7_age_2001",
    "207_minus_0.7_age_2007",
    "211_minus_0.64_age_2013",
]
Days = Annotated[int, check.whole(0, 3650)]
DaysFromOne = Annotated[int, check.whole(1, 3650)]
Width = Annotated[float | None, check.number(0, 100, above=True)]


@dataclass(frozen=True, slots=True)
class StudyText:
    """Table ``[study]``."""

    title: str = ""
    question: str = ""
    compares: Annotated[tuple[str, ...], check.labels] = ()
    time_zone: Annotated[str | None, check.time_zone] = None
    id_map: str | None = None  # columns found,athlete_id: the only way to join unequal ids


@dataclass(frozen=True, slots=True)
class Margin:
    """Table ``[margin]``: what was agreed beforehand. [mL/kg/min]."""

    limit: Width = None  # key limit_ml_kg_min; both limits must lie inside +- this
    mean_limit: Width = None  # key mean_limit_ml_kg_min; default: limit
    against: Against | None = None  # what the limit is about; None: a laboratory test, with a note
    planned_looks: Annotated[int, check.whole(1, 5)] = 1  # times that the verdict will be taken
    look: Annotated[int, check.whole(1, 100)] = 1  # which of them this is
    fitness_confidence: Annotated[float, check.number(0.5, 0.99)] = 0.80
    agreed_on: Annotated[date | None, check.day] = None  # required with a limit
    reason: str = ""

    @property
    def for_means(self) -> float | None:
        """The limit for a mean bias."""
        return self.limit if self.mean_limit is None else self.mean_limit


@dataclass(frozen=True, slots=True)
class Reference:
    """Table ``[reference]``: the laboratory."""

    # None: the one rule that the tests carry
    averaging_rule: Annotated[str | None, check.averaging_rule] = None
    allow_mixed: bool = False
    edit_breaths: bool = False  # True: breaths far from their neighbours leave; else only counted
    fixed_bins_from: FixedBinsFrom = "first breath"
    last_bin: LastBin = "drop"  # a last fixed bin that is not whole
    repeat_within_days: Days = 10
    sem: Annotated[float | None, check.number(0, 50, above=True)] = None
    sem_degrees_of_freedom: Annotated[int, check.whole(1, 10_000)] = 10


@dataclass(frozen=True, slots=True)
class PairingOptions:
    """Tables ``[pairing]`` and ``[pairing.field_tests]``. Gap = laboratory date - reading date."""

    days_before: Days = 14
    days_after: Days = 0
    same_day: bool = False
    summary: Summary = "mean"
    summary_days: Days = 7
    minimum_days: DaysFromOne = 2
    stale_after_days: DaysFromOne = 21
    mode_match: Annotated[tuple[tuple[str, ...], ...], check.mode_groups] = ()


FIELD_TEST_PAIRING = PairingOptions(
    days_before=14, days_after=14, same_day=True, summary="nearest", summary_days=14, minimum_days=1
)


@dataclass(frozen=True, slots=True)
class ChangeOptions:
    """Table ``[change]``: which two visits make a change."""

    visits: Literal["first and last", "consecutive"] = "first and last"
    minimum_gap_days: Annotated[int, check.whole(0, 36500)] = 21


@dataclass(frozen=True, slots=True)
class ProfileOptions:
    """Table ``[profile]``: thresholds are the authors' choice, common practice, no source."""

    use: Literal["computed", "stated"] | None = None  # None: computed when sessions exist
    zones: Zones = "share of HRmax"  # own thresholds: of the laboratory's tests, where known
    window_days: int = 42
    minimum_sessions: int = 12
    minimum_hours: float = 10.0
    minimum_weeks: int = 4  # weeks of the window with a session
    minimum_hr_share: float = 0.90
    zone2_from_share_of_hr_max: float = 0.825
    zone3_from_share_of_hr_max: float = 0.875
    intermittent_top_mode_share: float = 0.60  # below: no mode dominates
    intermittent_session_share: float = 0.40
    low_zone1_share: float = 0.85
    low_zone3_share: float = 0.05
    low_long_share: float = 0.30
    low_median_min: float = 75.0
    long_session_min: float = 90.0
    ultra_hours_per_week: float = 10.0
    ultra_longest_min: float = 240.0
    high_zone23_share: float = 0.40
    high_zone3_share: float = 0.20
    high_median_min: float = 50.0
    borderline_points: float = 5.0  # percentage points that may flip a label


@dataclass(frozen=True, slots=True)
class Extrapolation:
    """Table ``[extrapolation]``: when heart rate may be carried to its maximum."""

    minimum_hr_span_bpm: float = 15.0
    minimum_points: int = 3
    minimum_top_share_of_hr_max: float = 0.75
    window_days: int = 42
    maximum_share_of_hr_max: float = 1.0  # stages and sessions above it are left out
    hr_max_formula: HrMaxFormula = "208_minus_0.7_age_2001"  # where none was measured; printed


@dataclass(frozen=True, slots=True)
class Method:
    """Table ``[methods."key"]``."""

    label: str | None = None  # what people read; the key stays in tables for machines
    heart_rate_based: bool | None = None  # None: true for field_estimates; protocols know theirs
    resting: bool = False


@dataclass(frozen=True, slots=True)
class ControlOptions:
    """Table ``[control]``: whom the laboratory tests again and again to watch itself."""

    athlete_id: str | None = None  # as in lab_tests; no athlete of the study
    kind: Literal["person", "calibrator"] = "person"


@dataclass(frozen=True, slots=True)
class ReportOptions:
    """Table ``[report]``."""

    kind: Kind = "squad"
    seed: Annotated[int, check.whole(0)] = 20260101
    png: bool = False  # figures also as PNG files
    figures_pdf_mm: Annotated[float | None, check.number(60, 300)] = None


@dataclass(frozen=True, slots=True)
class Confirmation:
    """One line of ``[confirm]``: what looks wrong in this study, and why it is right."""

    reason: str
    on: date


@dataclass(frozen=True, slots=True)
class FileFormat:
    """One table ``[files.NAME]``; None: found in the file and reported."""

    path: str | None = None
    folder: Literal["exports", "parts"] | None = None  # what a folder of files is
    separator: Annotated[str | None, check.separator] = None
    decimal: Literal[".", ","] | None = None
    encoding: Annotated[str | None, check.encoding] = None
    header_rows: Annotated[int | None, check.whole(1, 20)] = None
    date_order: Literal["year-first", "day-first", "month-first"] | None = None
    sheet: str | None = None
    # ours -> theirs, in other exports another
    columns: Annotated[dict[str, tuple[str, ...]], check.headers] = field(default_factory=dict)
    # our column -> their unit
    units: Annotated[dict[str, str], check.texts] = field(default_factory=dict)
    # column -> theirs -> ours
    codes: Annotated[dict[str, dict[str, str]], check.code_tables] = field(default_factory=dict)
    # our column that the file lacks -> value
    values: Annotated[dict[str, str], check.constants] = field(default_factory=dict)

    def header(self, column: str) -> str:
        """Return our `column` as the file calls it."""
        return self.columns.get(column, (column,))[0]


@dataclass(frozen=True, slots=True)
class StudyOptions:
    """Everything `study.toml` can say."""

    study: StudyText = StudyText()
    margin: Margin = Margin()
    reference: Reference = Reference()
    pairing: PairingOptions = PairingOptions()
    pairing_field_tests: PairingOptions = FIELD_TEST_PAIRING  # table [pairing.field_tests]
    change: ChangeOptions = ChangeOptions()
    profile: ProfileOptions = ProfileOptions()
    extrapolation: Extrapolation = Extrapolation()
    methods: dict[str, Method] = field(default_factory=dict)
    report: ReportOptions = ReportOptions()
    control: ControlOptions = ControlOptions()
    files: dict[str, FileFormat] = field(default_factory=dict)
    no_tables: tuple[str, ...] = ()  # files in the folder that are no part of the study
    confirm: dict[str, Confirmation] = field(default_factory=dict)  # by code of the finding

    def header(self, table: str, column: str) -> str:
        """Return our `column` of a table as its file calls it, where `study.toml` says so."""
        return self.form(table).header(column)

    def form(self, table: str) -> FileFormat:
        """Return what `study.toml` says of a table's file."""
        return self.files.get(table, FileFormat())


def differing(agreed: StudyOptions, now: StudyOptions) -> dict[str, tuple[Any, Any]]:
    """Return what differs between two sets of choices: ``table.key`` -> (agreed, now)."""
    before, after = asdict(agreed), asdict(now)
    return {
        f"{table}.{key}": (value, after[table][key])
        for table, keys in before.items()
        if isinstance(keys, dict) and isinstance(after[table], dict)
        for key, value in keys.items()
        if value != after[table].get(key)
    }
