"""Looking into a folder without trusting it: names, kinds, stamps, opened files.

Nothing is followed, created, renamed or removed. Files are reached component by component from
the folder's own descriptor, so that no symbolic link put in the way leads elsewhere, and no
descriptor outlives a look, so that a share can be unmounted at any time. Names are bytes.
"""

import os
import re
import stat
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from fnmatch import translate
from pathlib import Path
from typing import Literal

Stamp = tuple[int, int, int, int]  # size, mtime_ns, ctime_ns, ino: cheap signs of a change
Matches = Callable[[str], re.Match[str] | None]
Kind = Literal["file", "symlink", "special"]

# On these the kernel does not tell of what other machines write.
REMOTE = re.compile(
    r"nfs\d?|cifs|smb\w*|fuse(\..+|blk)?|9p|vboxsf|vmhgfs|virtiofs|prl_fs|ceph|afs|ncpfs|"
    r"lustre|gpfs|gfs2|ocfs2|davfs|coda|orangefs"
)


class FolderLost(OSError):
    """The watched folder itself cannot be opened.

    The source goes on looking for it; lab IT can bring it back.
    """


class NotRegular(OSError):
    """A name that stands for something other than a file: a link, pipe, device or folder."""


@dataclass(frozen=True, slots=True)
class Listed:
    """One name in the folder: path relative to it, what it is, its stamp."""

    name: bytes
    kind: Kind
    stamp: Stamp


def stamp_of(status: os.stat_result) -> Stamp:
    """Size, modification and change time in ns, inode number."""
    return (status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino)


def readable_name(name: bytes) -> str:
    """The name as text that any log or page can show and that gives the exact bytes back.

    Whatever is not printable UTF-8, and `%`, is written `%XX` (RFC 3986, section 2.1).
    """
    shown = []
    for character in name.decode("utf-8", "surrogateescape"):
        if character.isprintable() and character != "%":
            shown.append(character)
        else:
            shown += [f"%{byte:02X}" for byte in character.encode("utf-8", "surrogateescape")]
    return "".join(shown)


class NameFilter:
    """Which relative paths are wanted: some pattern fits, and no `ignore` pattern.

    Shell patterns, upper and lower case alike, as shares fold case. A pattern with `/` is held
    against the whole relative path, one without against each component alone for `ignore`, and
    against the last for `patterns`.
    """

    def __init__(self, patterns: tuple[str, ...], ignore: tuple[str, ...]) -> None:
        self._wanted_paths, self._wanted_parts = _compiled(patterns)
        self._barred_paths, self._barred_parts = _compiled(ignore)

    def wants(self, name: bytes) -> bool:
        """Whether a file of this relative path is to be read."""
        path = os.fsdecode(name)
        fits = self._wanted_parts(path.rpartition("/")[2]) or self._wanted_paths(path)
        return fits is not None and not self.bars(name)

    def bars(self, name: bytes) -> bool:
        """Whether the path, file or folder, is to be left alone with all below it."""
        path = os.fsdecode(name)
        return self._barred_paths(path) is not None or any(
            self._barred_parts(part) for part in path.split("/")
        )


def _compiled(patterns: tuple[str, ...]) -> tuple[Matches, Matches]:
    """One test for whole paths and one for single components; no pattern fits nothing."""
    paths = [translate(one) for one in patterns if "/" in one]
    parts = [translate(one) for one in patterns if "/" not in one]
    return (
        re.compile("|".join(paths) or "(?!)", re.IGNORECASE).match,
        re.compile("|".join(parts) or "(?!)", re.IGNORECASE).match,
    )


def _join(folder: bytes, name: bytes) -> bytes:
    return folder + b"/" + name if folder else name


def list_files(
    root: Path,
    *,
    enters: Callable[[bytes], bool],
    entering: Callable[[bytes, os.stat_result], None],
    failing: Callable[[bytes, OSError], None],
) -> Iterator[Listed]:
    """Everything in the folder that is not a folder, in no order.

    Args:
        root: the watched folder; itself it may be a symbolic link.
        enters: whether to go into a folder below; never through links.
        entering: told of each folder (relative path, status) before its names are read.
        failing: told of each folder below, or name, that could not be examined.

    Raises:
        FolderLost: the folder itself cannot be opened or read.
    """
    folders = [b""]
    while folders:
        folder = folders.pop()
        try:
            with _opened_folder(root, folder, os.O_RDONLY) as fd:
                entering(folder, os.fstat(fd))
                with os.scandir(fd) as entries:
                    for entry in entries:
                        name = _join(folder, os.fsencode(entry.name))
                        try:
                            if entry.is_dir(follow_symlinks=False):
                                folders += [name] if enters(name) else []
                                continue
                            status = entry.stat(follow_symlinks=False)
                        except FileNotFoundError:
                            continue
                        except OSError as error:
                            failing(name, error)
                            continue
                        yield Listed(name, _kind(status.st_mode), stamp_of(status))
        except FolderLost:
            raise
        except OSError as error:
            if not folder:
                raise FolderLost(error.errno, error.strerror, str(root)) from error
            if not isinstance(error, FileNotFoundError):
                failing(folder, error)


@contextmanager
def opened_file(root: Path, name: bytes) -> Iterator[int]:
    """A descriptor of the regular file `name` below `root`, for reading; closed at the end.

    Raises:
        FolderLost: the folder itself cannot be opened.
        NotRegular: it is a link, pipe, device or folder; it was not opened.
        OSError: it is gone or cannot be opened.
    """
    parent, _, last = name.rpartition(b"/")
    with _opened_folder(root, parent, os.O_PATH) as folder:
        # Asked first: opening a pipe would wake its writer, opening a device may move it.
        if not stat.S_ISREG(os.stat(last, dir_fd=folder, follow_symlinks=False).st_mode):
            raise NotRegular(readable_name(name))
        # Opened so that whatever took its place since can neither hang nor lead elsewhere.
        flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC | os.O_NOCTTY
        fd = os.open(last, flags, dir_fd=folder)
        try:
            if not stat.S_ISREG(os.fstat(fd).st_mode):
                raise NotRegular(readable_name(name))
            yield fd
        finally:
            os.close(fd)


@contextmanager
def _opened_folder(root: Path, folder: bytes, access: int) -> Iterator[int]:
    """A descriptor of `folder` below `root`; below the root no link is followed."""
    flags = access | os.O_DIRECTORY | os.O_CLOEXEC
    try:
        fd = os.open(root, flags)
    except OSError as error:
        raise FolderLost(error.errno, error.strerror, str(root)) from error
    try:
        for part in filter(None, folder.split(b"/")):
            below = os.open(part, flags | os.O_NOFOLLOW, dir_fd=fd)
            os.close(fd)
            fd = below
        yield fd
    finally:
        os.close(fd)


def _kind(mode: int) -> Kind:
    if stat.S_ISREG(mode):
        return "file"
    return "symlink" if stat.S_ISLNK(mode) else "special"


def filesystem_type(root: Path) -> str:
    """The type of the file system the folder lies on, e.g. `ext4`, `cifs`; "" if unknown.

    Found by the mount that the opened folder belongs to, which is exact also for stacked and
    bound mounts.

    Raises:
        FolderLost: the folder cannot be opened.
    """
    with _opened_folder(root, b"", os.O_PATH) as fd:
        try:
            about = Path(f"/proc/self/fdinfo/{fd}").read_text("ascii")
            mounts = Path("/proc/self/mountinfo").read_text("utf-8", "surrogateescape")
        except OSError:
            return ""
    found = re.search(r"^mnt_id:\s*(\d+)$", about, re.MULTILINE)
    return mounted_type(mounts, int(found[1])) if found else ""


def mounted_type(mountinfo: str, mount: int) -> str:
    """The file-system type of one mount in a mountinfo table, "" if it is not there.

    Source: Linux kernel, Documentation/filesystems/proc.rst, section 3.5: field 1 is the mount's
    number, the type is the first field after the separator `-`.
    """
    for line in mountinfo.splitlines():
        before, separator, after = line.partition(" - ")
        if separator and before.split(" ", 1)[0] == str(mount):
            return after.split(" ", 1)[0]
    return ""


def is_remote(filesystem: str) -> bool:
    """Whether files on it may change without the kernel telling: then only looking helps."""
    return REMOTE.fullmatch(filesystem) is not None
