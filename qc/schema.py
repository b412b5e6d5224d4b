"""The tables of the records.

Times are milliseconds since 1970 in UTC. `measured` is a sorted copy of the latest overall values, clustered so that a
series is one contiguous read; everything else is written once and kept.
"""

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def _check_fk() -> Column[int]:
    return Column("check_id", Integer, ForeignKey("checks.id", ondelete="CASCADE"), nullable=False)


decorators = Table(
    "decorators",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("pseudonym", String(80), nullable=False, unique=True),
    Column("role", String(80), nullable=False, default=""),
    Column("created_ms", BigInteger, nullable=False),
    Column("invented", Boolean, nullable=False, default=False),
)
standards = Table(
    "standards",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("kind", String(80), nullable=False),
    Column("version", Integer, nullable=False),
    Column("text", Text, nullable=False),
    Column("note", Text, nullable=False, default=""),
    Column("valid_from_ms", BigInteger, nullable=False),
    Column("created_ms", BigInteger, nullable=False),
    Column("invented", Boolean, nullable=False, default=False),
    UniqueConstraint("kind", "version"),
)
photos = Table(
    "photos",
    metadata,
    Column("sha256", String(64), primary_key=True),
    Column("original_sha256", String(64), nullable=False, index=True),
    Column("suffix", String(8), nullable=False),
    Column("width_px", Integer, nullable=False),
    Column("height_px", Integer, nullable=False),
    Column("stored_ms", BigInteger, nullable=False),
)
checks = Table(
    "checks",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("uid", String(80), nullable=False, unique=True),  # the same in every shop it is carried to
    Column("time_ms", BigInteger, nullable=False, index=True),
    Column("decorator_id", Integer, ForeignKey("decorators.id"), nullable=False),
    Column("kind", String(80), nullable=False),
    Column("standard_id", Integer, ForeignKey("standards.id")),
    Column("order_json", Text, nullable=False, default="{}"),
    Column("kitchen_temperature_c", Float),
    Column("rush", Boolean),
    Column("recipe_change", Text, nullable=False, default=""),
    Column("notes", Text, nullable=False, default=""),
    Column("first_photo_ms", BigInteger),
    Column("counts_from_ms", BigInteger),  # NULL: left out of trends
    Column("take_count", Integer, nullable=False, default=1),
    Column("created_ms", BigInteger, nullable=False),
    Column("invented", Boolean, nullable=False, default=False),
    Index(None, "decorator_id", "kind", "time_ms"),
    Index(None, "kind", "time_ms"),
)
check_photos = Table(
    "check_photos",
    metadata,
    Column("check_id", Integer, ForeignKey("checks.id", ondelete="CASCADE"), primary_key=True),
    Column("photo_name", String(20), primary_key=True),
    Column("sha256", String(64), ForeignKey("photos.sha256"), nullable=False, index=True),
)
takes = Table(
    "takes",
    metadata,
    Column("id", Integer, primary_key=True),
    _check_fk(),
    Column("time_ms", BigInteger, nullable=False),
    Column("reason", Text, nullable=False, default=""),
    Column("program", String(40), nullable=False),
    Column("result", LargeBinary, nullable=False),  # the whole CheckResult, JSON, zlib
    Index(None, "check_id"),
)
drawings = Table(  # the pictures that explain a measurement; their files are rows of `photos`
    "drawings",
    metadata,
    Column("take_id", Integer, ForeignKey("takes.id", ondelete="CASCADE"), primary_key=True, autoincrement=False),
    Column("name", String(40), primary_key=True),
    Column("place", Integer, nullable=False),  # in the order in which they are shown
    Column("title", Text, nullable=False),
    Column("words", Text, nullable=False),
    Column("sha256", String(64), ForeignKey("photos.sha256"), nullable=False, index=True),
)
judgements = Table(
    "judgements",
    metadata,
    Column("id", Integer, primary_key=True),
    _check_fk(),
    Column("take_id", Integer, ForeignKey("takes.id", ondelete="CASCADE"), nullable=False),
    Column("standard_id", Integer, ForeignKey("standards.id")),
    Column("time_ms", BigInteger, nullable=False),
    Column("verdict", String(40), nullable=False),
    Column("points", Float),
    Column("points_uncertainty", Float),
    Column("body", LargeBinary, nullable=False),  # the whole judgement, JSON, zlib
    Index(None, "check_id"),
)
decisions = Table(
    "decisions",
    metadata,
    Column("id", Integer, primary_key=True),
    _check_fk(),
    Column("time_ms", BigInteger, nullable=False),
    Column("decision", String(20), nullable=False),
    Column("reason", Text, nullable=False, default=""),
    Column("by", String(80), nullable=False, default=""),
    Index(None, "check_id"),
)
comments = Table(
    "comments",
    metadata,
    Column("id", Integer, primary_key=True),
    _check_fk(),
    Column("time_ms", BigInteger, nullable=False),
    Column("author", String(80), nullable=False, default=""),
    Column("text", Text, nullable=False, default=""),
    Column("effect", String(20), nullable=False, default=""),
    Index(None, "check_id"),
)
corrections = Table(
    "corrections",
    metadata,
    Column("id", Integer, primary_key=True),
    _check_fk(),
    Column("time_ms", BigInteger, nullable=False),
    Column("field", String(40), nullable=False),
    Column("earlier", Text, nullable=False),
    Column("now", Text, nullable=False),
    Column("reason", Text, nullable=False, default=""),
    Column("by", String(80), nullable=False, default=""),
    Index(None, "check_id"),
)
baselines = Table(  # the period a chart's limits come from; the latest row for a kind and decorator holds
    "baselines",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("kind", String(80), nullable=False),
    Column("decorator_id", Integer, ForeignKey("decorators.id")),  # NULL: the whole bench
    Column("start_ms", BigInteger, nullable=False),
    Column("end_ms", BigInteger, nullable=False),
    Column("set_ms", BigInteger, nullable=False),
    Index(None, "kind", "decorator_id"),
)
preferences = Table(
    "preferences",
    metadata,
    Column("name", String(40), primary_key=True),
    Column("value", Text, nullable=False),
    Column("set_ms", BigInteger, nullable=False),
)
measured = Table(
    "measured",
    metadata,
    Column("kind", String(80), primary_key=True),
    Column("name", String(40), primary_key=True),
    Column("decorator_id", Integer, ForeignKey("decorators.id"), primary_key=True),
    Column("time_ms", BigInteger, primary_key=True, autoincrement=False),
    Column("check_id", Integer, ForeignKey("checks.id", ondelete="CASCADE"), primary_key=True),
    Column("value", Float, nullable=False),
    Column("uncertainty", Float, nullable=False),
    Column("low", Float),
    Column("high", Float),
    Index(None, "check_id"),
    sqlite_with_rowid=False,
)
