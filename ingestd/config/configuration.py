"""The configuration: one TOML file, checked whole, frozen. Unknown keys are errors.

Paths in it are relative to the file itself. Secrets never stand in it; keys name files.
"""

import os
import re
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import (
    BaseModel,
    ConfigDict,
    Discriminator,
    Field,
    Tag,
    ValidationError,
    field_validator,
    model_validator,
)

from ingestd.config.operation import NoticesSection, ServiceSection, WebSection
from ingestd.errors import ConfigError
from ingestd.model import SitePolicy

ENVIRONMENT_KEY = "INGESTD_CONFIG"
FILE_NAME = "ingestd.toml"
SYSTEM_FILE = Path("/etc/ingestd") / FILE_NAME

_Name = Annotated[str, Field(min_length=1, max_length=80)]


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class SiteSection(_Section):
    """The laboratory.

    Attributes:
        name: of the site; the ledger and its journal belong to it.
        time_zone: IANA zone for days, bench sheets and pages.
        one_to_n: how a dilution written 1:10 is read: "total" (factor 10), "parts" (factor 11);
            left out, it is refused.
        rounding: how a tie is rounded.
        minimum_comparison_pairs: paired digestions needed to admit a fast program.
    """

    name: _Name
    time_zone: str
    one_to_n: Literal["total", "parts"] | None = None
    rounding: Literal["half_even", "half_up"] = "half_even"
    minimum_comparison_pairs: Annotated[int, Field(ge=3)] = 6

    @field_validator("time_zone")
    @classmethod
    def _known(cls, value: str) -> str:
        try:
            ZoneInfo(value)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            raise ValueError(f"no time zone {value!r}; use an IANA name, e.g. Etc/UTC") from None
        return value

    @property
    def policy(self) -> SitePolicy:
        """What evaluation needs of it."""
        return SitePolicy(
            time_zone=self.time_zone,
            one_to_n=self.one_to_n,
            rounding=self.rounding,
            minimum_comparison_pairs=self.minimum_comparison_pairs,
        )


class LedgerSection(_Section):
    """Where the ledger is.

    Attributes:
        path: the SQLite file, on a local disk.
        checkpoints: folder for signed checkpoints; beside the ledger by default.
        witness: a second folder for them, best on a write-once share of another machine.
        integrity_check: "quick" or "none" at start.
        attempts: how often a capture that ends its reader is tried before it is set aside.
    """

    path: Path = Path("ledger.db")
    checkpoints: Path | None = None
    witness: Path | None = None
    integrity_check: Literal["quick", "none"] = "quick"
    attempts: Annotated[int, Field(ge=1, le=20)] = 3


class PlanSection(_Section):
    """Where plans are dropped.

    Attributes:
        folder: bench sheets (.csv, .xlsx) and plan files (.toml) dropped here are loaded.
        forms: folder of the site's own forms (.toml).
        open_days: days from its start during which a run takes readings.
    """

    folder: Path | None = None
    forms: Path | None = None
    open_days: Annotated[int, Field(ge=1, le=366)] = 14


class FolderSource(_Section):
    """A watched folder.

    Attributes:
        name: unique among the sources.
        path: the folder; ingestd only reads there.
        instrument: whose exports these are, where they do not say so themselves.
        forms: names of the forms to consider; all by default.
        patterns, ignore: file names to take and to pass over.
        recursive: subfolders too.
        settle_s: seconds between two equal looks before an unfinished tail counts.
        scan_s: seconds between full scans.
        backend: "native" file events, "polling" for network shares, "auto" decides.
        limit_mib: larger files are recorded with size and hash, not read.
    """

    kind: Literal["folder"] = "folder"
    name: _Name
    path: Path
    instrument: str = ""
    forms: tuple[str, ...] = ()
    patterns: tuple[str, ...] = ("*",)
    ignore: tuple[str, ...] = ("~$*", ".*", "*.tmp", "*.part", "*.filepart", "*.crdownload")
    recursive: bool = False
    settle_s: Annotated[float, Field(gt=0, le=3600)] = 2.0
    scan_s: Annotated[float, Field(gt=0, le=3600)] = 5.0
    backend: Literal["auto", "native", "polling"] = "auto"
    limit_mib: Annotated[int, Field(ge=1, le=1024)] = 64


class LineSource(_Section):
    """A serial line.

    Attributes:
        name: unique among the sources.
        port: path of the device, best one under /dev/serial/by-id; or socket://HOST:PORT or
            rfc2217://HOST:PORT of a network serial server.
        form: name of a form of shape frame.
        instrument: whose line this is, where its frames do not say so themselves.
        baud, bits, parity, stop_bits, flow: as the instrument's manual says.
        exclusive: nobody else may open the device meanwhile.
        quiet_alarm_s: so long without a byte is noted; left out, silence is never noted.
        retransmit_window_s: so long after a frame the same bytes may be its repetition.
        unfinished_s: seconds of silence after which half a frame is recorded as damaged, where
            its form states none of its own (frame.idle_end_ms).
        write_timeout_s: seconds after which an answer that flow control holds up is given up.
        backlog_bytes: memory of this line that may wait for the ledger, 500 bytes a frame
            included; then reading stops until there is room.
    """

    kind: Literal["line"]
    name: _Name
    port: Annotated[str, Field(min_length=1)]
    form: Annotated[str, Field(min_length=1)]
    instrument: str = ""
    baud: Annotated[int, Field(ge=50, le=4_000_000)] = 9600
    bits: Literal[5, 6, 7, 8] = 8
    parity: Literal["none", "even", "odd", "mark", "space"] = "none"
    stop_bits: float = 1
    flow: Literal["none", "xonxoff", "rtscts", "dsrdtr"] = "none"
    exclusive: bool = True
    quiet_alarm_s: Annotated[float, Field(gt=0)] | None = None
    retransmit_window_s: Annotated[float, Field(gt=0, le=3600)] = 15.0
    unfinished_s: Annotated[float, Field(gt=0, le=3600)] = 10.0
    write_timeout_s: Annotated[float, Field(gt=0, le=60)] = 1.0
    backlog_bytes: Annotated[int, Field(ge=65_536, le=2**30)] = 4 * 2**20

    @field_validator("stop_bits")
    @classmethod
    def _known(cls, value: float) -> float:
        if value not in (1, 1.5, 2):
            raise ValueError("stop_bits is 1, 1.5 or 2")
        return value

    @property
    def forms(self) -> tuple[str, ...]:
        """The one form its frames may be in."""
        return (self.form,)


def _kind_of(value: Any) -> str:
    """A source without `kind` is a folder."""
    kind = value.get("kind", "folder") if isinstance(value, dict) else value.kind
    return kind if kind in ("folder", "line") else "folder"


Source = Annotated[
    Annotated[FolderSource, Tag("folder")] | Annotated[LineSource, Tag("line")],
    Discriminator(_kind_of),
]


class PostgresTarget(_Section):
    """A PostgreSQL that gathers the results of all sites.

    Attributes:
        conninfo: host, port, dbname and user as libpq reads them; never a password.
        password_file: holds the password and nothing else.
        credential: name of a systemd credential that holds it, instead of a file.
        tls: how far the server must prove itself; "disable" only on one's own machine.
        ca: certificates to trust, "system" for those of the machine.
        certificate, key: of this site, where the server asks for one.
        batch: journal entries sent in one transaction.
        deadline_s: a transaction that takes longer is given up and tried again.
    """

    conninfo: Annotated[str, Field(min_length=1)]
    password_file: Path | None = None
    credential: str = ""
    tls: Literal["verify-full", "verify-ca", "require", "disable"] = "verify-full"
    ca: Path | Literal["system"] = "system"
    certificate: Path | None = None
    key: Path | None = None
    batch: Annotated[int, Field(ge=1, le=100_000)] = 5_000
    deadline_s: Annotated[float, Field(ge=1, le=3600)] = 60.0

    @field_validator("conninfo")
    @classmethod
    def _no_secret(cls, value: str) -> str:
        if re.search(r"password\s*=|://[^/@\s]*:[^/@\s]+@", value, re.IGNORECASE):
            raise ValueError("a password stands in it; put it into a file and name password_file")
        if re.search(r"\bssl\w+\s*=", value, re.IGNORECASE):
            raise ValueError("TLS is set by the keys tls, ca, certificate and key")
        return value

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.password_file is not None and self.credential:
            raise ValueError("give password_file or credential, not both")
        if (self.certificate is None) != (self.key is None):
            raise ValueError("certificate and key go together")
        if self.ca == "system" and self.tls in ("verify-ca", "require"):
            raise ValueError(f'ca: name the certificates to trust with tls = "{self.tls}"')
        return self


class FilesTarget(_Section):
    """A folder that gets one file a day with everything released, withdrawn and superseded.

    Attributes:
        folder: whatever else stands there is left alone.
        format: "csv", or "parquet" with the extra of that name.
    """

    folder: Path
    format: Literal["csv", "parquet"] = "csv"


class DeliverySection(_Section):
    """Where released results go; to both, one or none of these.

    Attributes:
        idle_s: seconds between two looks at what is new.
    """

    postgres: PostgresTarget | None = None
    files: FilesTarget | None = None
    idle_s: Annotated[float, Field(gt=0, le=3600)] = 1.0


class Config(_Section):
    """The whole configuration."""

    site: SiteSection
    ledger: LedgerSection = LedgerSection()
    plan: PlanSection = PlanSection()
    delivery: DeliverySection = DeliverySection()
    service: ServiceSection = ServiceSection()
    web: WebSection = WebSection()
    notices: NoticesSection = NoticesSection()
    source: tuple[Source, ...] = ()

    @property
    def folders(self) -> tuple[FolderSource, ...]:
        """The watched folders."""
        return tuple(source for source in self.source if isinstance(source, FolderSource))

    @property
    def lines(self) -> tuple[LineSource, ...]:
        """The serial lines."""
        return tuple(source for source in self.source if isinstance(source, LineSource))

    @model_validator(mode="after")
    def _unique(self) -> Self:
        names = [source.name for source in self.source]
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f"source: two sources are named {name!r}; names must differ")
        paths = [os.path.realpath(folder.path) for folder in self.folders]
        for source, path in zip(self.folders, paths, strict=True):
            if paths.count(path) > 1:
                raise ValueError(
                    f"source: {source.name!r} and another watch the same folder {path}"
                )
        ports = [line.port for line in self.lines]
        for line in self.lines:
            if ports.count(line.port) > 1:
                raise ValueError(f"source: {line.name!r} and another listen to {line.port}")
        return self


def find_config(given: Path | None) -> Path:
    """The configuration file: given, else from INGESTD_CONFIG, else here, else the system's.

    Raises:
        ConfigError: none of them exists.
    """
    if given is not None:
        return given
    if from_environment := os.environ.get(ENVIRONMENT_KEY):
        return Path(from_environment)
    for path in (Path(FILE_NAME), SYSTEM_FILE):
        if path.is_file():
            return path
    raise ConfigError(
        FILE_NAME,
        "no configuration found",
        f"name one with --config or {ENVIRONMENT_KEY}, or write {FILE_NAME} here",
    )


def load_config(path: Path) -> Config:
    """The checked configuration with absolute paths.

    Raises:
        ConfigError: unreadable, not TOML, or wrong; the message lists every fault with its key.
    """
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ConfigError(str(path), error.strerror or "unreadable", "check the path") from error
    except UnicodeDecodeError as error:
        raise ConfigError(str(path), "not UTF-8", "save it as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(str(path), f"not TOML: {error}", "mend that line") from error
    try:
        config = Config.model_validate(data)
    except ValidationError as error:
        raise ConfigError(str(path), "; ".join(_faults(error)), "mend the keys named") from error
    return _absolute(config, path.resolve().parent)


def _faults(error: ValidationError) -> list[str]:
    lines = []
    for fault in error.errors():
        key = ".".join(str(part) for part in fault["loc"])
        if fault["type"] == "extra_forbidden":
            lines.append(f"{key}: no such key")
        elif fault["type"] == "missing":
            lines.append(f"{key}: is missing")
        else:
            message = fault["msg"].removeprefix("Value error, ")
            found = f" (found {fault['input']!r})" if not isinstance(fault["input"], dict) else ""
            lines.append(f"{key}: {message}{found}" if key else message)
    return lines


def _absolute(config: Config, base: Path) -> Config:
    def resolve(value: Any) -> Any:
        if isinstance(value, Path):
            return base / value
        if isinstance(value, BaseModel):
            changed = {name: resolve(getattr(value, name)) for name in type(value).model_fields}
            return value.model_copy(update=changed)
        if isinstance(value, tuple):
            return tuple(resolve(item) for item in value)
        return value

    absolute: Config = resolve(config)
    if absolute.ledger.checkpoints is None:
        ledger = absolute.ledger.model_copy(
            update={"checkpoints": absolute.ledger.path.parent / "checkpoints"}
        )
        absolute = absolute.model_copy(update={"ledger": ledger})
    return absolute
