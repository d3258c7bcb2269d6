"""`ingestd init`: a configuration folder with everything a service needs, paths already right.

The samples are those of the folder `systemd` of the project, which name the usual places; here
these are replaced. Nothing that is there already is overwritten.
"""

import os
import pwd
import re
import shutil
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from ingestd.errors import Refused
from ingestd.pipeline.forms import shipped_forms

USUAL_PROGRAM = "/opt/ingestd/bin/ingestd"
USUAL_CONFIG = "/etc/ingestd"
USUAL_STATE = "/var/lib/ingestd"
USUAL_ACCOUNT = "ingestd"
UNITS = ("ingestd.service", "ingestd-web.service", "ingestd-failure@.service")
BESIDE = ("ingestd-serial.conf", "70-ingestd.rules", "ingestd-alerts.yml")
EXAMPLE_FORM = "point_table"
_HIDDEN = ("/home", "/root", "/run/user")  # ProtectHome=yes hides these from a unit


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """Where things are.

    Attributes:
        config: folder of the configuration.
        state: folder of the ledger.
        program: the command the units start.
        account: the system account the service runs as.
    """

    config: Path
    state: Path
    program: Path
    account: str = USUAL_ACCOUNT


@dataclass(slots=True)
class Installed:
    """What was written, what was there already, and what is left for root to do."""

    written: list[Path] = field(default_factory=list)
    kept: list[Path] = field(default_factory=list)
    steps: list[str] = field(default_factory=list)


def usual_places(folder: Path, *, state: Path | None, account: str) -> Places:
    """Places for a configuration folder: the system's own for /etc/ingestd, else inside it.

    Raises:
        Refused: units could not see them.
    """
    config = folder.absolute()
    default = Path(USUAL_STATE) if str(config) == USUAL_CONFIG else config / "state"
    places = Places(
        config=config,
        state=(state or default).absolute(),
        program=_program(),
        account=account,
    )
    for path in (places.config, places.state, places.program):
        if not re.fullmatch(r"[\w./@+-]+", str(path)):
            raise Refused(str(path), "units cannot name it", "use letters, digits and ._-+@ only")
    return places


def _program() -> Path:
    beside = Path(sys.executable).with_name("ingestd")
    found = str(beside) if beside.is_file() else shutil.which("ingestd")
    return Path(found or sys.argv[0]).absolute()


def install(
    places: Places, *, site: str, time_zone: str, exports: Sequence[Path] = ()
) -> Installed:
    """Write the configuration, methods, an example form and the units.

    Args:
        site: the laboratory's name; it cannot be changed later.
        time_zone: IANA name.
        exports: folders that photometers write to; one inside the state folder by default.

    Raises:
        Refused: the zone is not known, or a text does not fit on its line.
        OSError: a folder cannot be written.
    """
    try:
        ZoneInfo(time_zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise Refused(
            "--time-zone", f"no time zone {time_zone!r}", "use an IANA name, as Etc/UTC"
        ) from None
    if not site.strip() or not site.isprintable():
        raise Refused("--site", "a name of one printable line is needed", "give --site NAME")
    done = Installed()
    folders = exports or (places.state / "exports" / "photometer-1",)
    for path in (places.config, places.config / "forms", places.config / "systemd"):
        path.mkdir(parents=True, exist_ok=True)
    places.state.mkdir(mode=0o700, parents=True, exist_ok=True)
    for path in (places.state / "plan", *(() if exports else folders)):
        path.mkdir(mode=0o750, parents=True, exist_ok=True)
    _give(places)
    _write(done, places.config / "ingestd.toml", _configuration(places, site, time_zone, folders))
    methods = sample("methods.toml").replace('"Etc/UTC"', f'"{time_zone}"')
    _write(done, places.config / "methods.toml", methods)
    form = shipped_forms()[EXAMPLE_FORM].decode("utf-8")
    _write(
        done,
        places.config / "forms" / "own_table.toml.example",
        "# An example to begin an own form with: `ingestd form propose FILE` drafts one from an\n"
        "# export. Save it as NAME.toml beside this file and reload the service.\n\n" + form,
    )
    for name in UNITS:
        _write(done, places.config / "systemd" / name, unit_text(name, places))
    for name in BESIDE:
        _write(done, places.config / "systemd" / name, sample(name))
    done.steps = list(_steps(places))
    return done


def sample(name: str) -> str:
    """The text of a file of the folder `systemd`, from the installed package or a checkout."""
    packed = files("ingestd") / "systemd" / name
    if packed.is_file():
        return packed.read_text(encoding="utf-8")
    checkout = Path(__file__).parents[2] / "systemd" / name
    return checkout.read_text(encoding="utf-8")


def unit_text(name: str, places: Places) -> str:
    """A unit with this installation's places.

    Args:
        name: one of UNITS.
    """
    text = sample(name)
    text = text.replace(USUAL_PROGRAM, str(places.program))
    text = text.replace(f"{USUAL_CONFIG}/", f"{places.config}/")
    text = text.replace(USUAL_STATE, str(places.state))
    text = re.sub(r"^(User|Group)=.*$", rf"\1={places.account}", text, flags=re.MULTILINE)
    if places.state.parent == Path("/var/lib"):
        directory = f"StateDirectory={places.state.name}"
    else:
        directory = f"ReadWritePaths={places.state}"
        text = re.sub(r"^StateDirectoryMode=.*\n", "", text, flags=re.MULTILINE)
    text = re.sub(r"^StateDirectory=.*$", directory, text, flags=re.MULTILINE)
    if places.config.parent == Path("/etc"):
        directory = f"ConfigurationDirectory={places.config.name}"
        text = re.sub(r"^ConfigurationDirectory=.*$", directory, text, flags=re.MULTILINE)
    else:
        text = re.sub(r"^ConfigurationDirectory=.*\n", "", text, flags=re.MULTILINE)
    if _are_hidden(places):
        # Weaker, and said so by `ingestd init`: only reading is left of the other homes.
        text = re.sub(r"^ProtectHome=yes$", "ProtectHome=read-only", text, flags=re.MULTILINE)
    return text


def _are_hidden(places: Places) -> bool:
    return any(
        path.is_relative_to(hidden)
        for path in (places.config, places.state, places.program)
        for hidden in _HIDDEN
    )


def _configuration(places: Places, site: str, time_zone: str, exports: Sequence[Path]) -> str:
    text = sample("ingestd.toml")
    text = text.replace(f"{USUAL_CONFIG}/", f"{places.config}/")
    text = text.replace(USUAL_STATE, str(places.state))
    text = re.sub(
        r"^name = \"Example.*$", lambda _: f"name = {_quoted(site)}", text, flags=re.MULTILINE
    )
    text = text.replace('time_zone = "Etc/UTC"', f'time_zone = "{time_zone}"', 1)
    text = text.replace(f'# forms = "{places.config}/forms"', f'forms = "{places.config}/forms"')
    text = text.replace('# metrics = "127', 'metrics = "127').replace("# [service]", "[service]")
    head, block, rest = _source_block(text)
    blocks = []
    for number, path in enumerate(exports, start=1):
        one = block.replace('"/srv/exports/photometer-1"', _quoted(str(path.absolute())))
        one = one.replace('name = "photometer-1"', f'name = "photometer-{number}"')
        blocks.append(one if number == 1 else _without_comments(one))
    return head + "\n".join(blocks) + rest


def _source_block(text: str) -> tuple[str, str, str]:
    """The sample's one source, with what stands before and behind."""
    begin = text.index("[[source]]")
    end = text.index("\n# One table a serial line.")
    return text[:begin], text[begin:end], text[end:]


def _without_comments(text: str) -> str:
    kept = (line for line in text.splitlines() if line and not line.startswith("#"))
    # Which instrument speaks there is for the laboratory to say.
    return "\n" + "\n".join(line for line in kept if not line.startswith("instrument")) + "\n"


def _quoted(text: str) -> str:
    """A TOML basic string."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _write(done: Installed, path: Path, text: str) -> None:
    if path.exists():
        done.kept.append(path)
        beside = path.with_name(f"{path.name}.new")
        if path.read_text(encoding="utf-8") == text:
            return
        path = beside  # what this version would write, to compare with
    path.write_text(text, encoding="utf-8")
    done.written.append(path)


def _give(places: Places) -> None:
    """Let the service's account own its state, where root installs and the account exists."""
    if os.geteuid() != 0:
        return
    try:
        account = pwd.getpwnam(places.account)
    except KeyError:
        return
    for path in (places.state, *places.state.rglob("*")):
        os.chown(path, account.pw_uid, account.pw_gid, follow_symlinks=False)


def _steps(places: Places) -> Iterator[str]:
    units, state, account = places.config / "systemd", places.state, places.account
    as_service = f"runuser -u {account} -- {places.program} --config {places.config}/ingestd.toml"
    if _are_hidden(places):
        yield (
            "# A folder lies in a home, which units hide: the units see all homes read-only."
            " Better use /etc, /var/lib and /opt."
        )
    yield (
        f"id -u {account} >/dev/null 2>&1 || useradd --system --user-group --home-dir {state}"
        f" --shell /usr/sbin/nologin {account}"
    )
    yield f"chown -R {account}: {state}"
    yield f"{as_service} user add ACCOUNT --role admin"
    yield f"{as_service} check"
    yield f"install -m 644 {units}/*.service /etc/systemd/system/"
    yield f"install -m 644 {units}/ingestd-serial.conf /etc/modules-load.d/"
    yield f"install -m 644 {units}/70-ingestd.rules /etc/udev/rules.d/"
    yield "systemctl daemon-reload"
    yield "systemctl enable --now ingestd.service ingestd-web.service"
