"""Names, kinds and safe opening in hostile folders."""

import os
import socket
import subprocess
from pathlib import Path
from urllib.parse import unquote_to_bytes

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.sources.folder.filesystem import (
    FolderLost,
    Listed,
    NameFilter,
    NotRegular,
    filesystem_type,
    is_remote,
    list_files,
    mounted_type,
    opened_file,
    readable_name,
)
from ingestd.sources.folder.settings import TEMPORARY


def listed(root: Path, *, recursive: bool = True) -> dict[bytes, Listed]:
    found = list_files(
        root,
        enters=lambda _: recursive,
        entering=lambda *_: None,
        failing=lambda name, error: pytest.fail(f"{name!r}: {error}"),
    )
    return {one.name: one for one in found}


# --- names ---------------------------------------------------------------------------------------


@given(st.binary(min_size=1, max_size=40))
def test_readable_name_is_printable_and_gives_the_bytes_back(name: bytes) -> None:
    shown = readable_name(name)
    assert shown.isprintable()
    # The standard library's reading of RFC 3986 percent encoding.
    assert unquote_to_bytes(shown) == name


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("Ablauf Süd 3.csv".encode(), "Ablauf Süd 3.csv"),
        (b"a\nlevel=error b.csv", "a%0Alevel=error b.csv"),
        (b"bad\xff.csv", "bad%FF.csv"),
        (b"50%.csv", "50%25.csv"),
        ("a\u202evsc.b".encode(), "a%E2%80%AEvsc.b"),
    ],
)
def test_readable_name_escapes_what_could_mislead(name: bytes, shown: str) -> None:
    assert readable_name(name) == shown


@pytest.mark.parametrize(
    ("name", "wanted"),
    [
        (b"run1.csv", True),
        (b"RUN1.CSV", True),
        (b"run1.txt", False),
        (b".run1.csv", False),
        (b"run1.csv.part", False),
        (b"~$run1.csv", False),
        (b"run1.csv~", False),
        (b"day/run1.csv", True),
        (b".old/run1.csv", False),
        (b"bad\xff\n.csv", True),
    ],
)
def test_names_wanted_by_default_patterns(name: bytes, wanted: bool) -> None:  # noqa: FBT001 - a table
    assert NameFilter(("*.csv",), TEMPORARY).wants(name) is wanted


def test_pattern_with_a_slash_is_held_against_the_whole_path() -> None:
    names = NameFilter(("line ?/*.csv",), ("line 2/old*",))
    assert names.wants(b"line 2/a.csv")
    assert not names.wants(b"a.csv")
    assert not names.wants(b"line 2/old a.csv")


# --- listing and opening -------------------------------------------------------------------------


def test_listing_tells_files_from_links_and_pipes_and_goes_below(folder: Path) -> None:
    (folder / "below").mkdir()
    (folder / "below" / "a.csv").write_bytes(b"row\n")
    (folder / "link.csv").symlink_to("/etc/hostname")
    (folder / "linked").symlink_to("/etc")
    os.mkfifo(folder / "pipe.csv")
    kinds = {name: one.kind for name, one in listed(folder).items()}
    assert kinds == {
        b"below/a.csv": "file",
        b"link.csv": "symlink",
        b"linked": "symlink",
        b"pipe.csv": "special",
    }


def test_listing_does_not_go_below_unless_told(folder: Path) -> None:
    (folder / "below").mkdir()
    (folder / "below" / "a.csv").write_bytes(b"row\n")
    assert listed(folder, recursive=False) == {}


def test_listing_reaches_paths_longer_than_the_system_takes_at_once(folder: Path) -> None:
    # PATH_MAX is 4096 (linux/limits.h); each step goes down by one component.
    fd = os.open(folder, os.O_RDONLY)
    for _ in range(25):
        os.mkdir("d" * 200, dir_fd=fd)
        below = os.open("d" * 200, os.O_RDONLY, dir_fd=fd)
        os.close(fd)
        fd = below
    os.close(os.open("a.csv", os.O_WRONLY | os.O_CREAT, dir_fd=fd))
    os.close(fd)
    (name,) = listed(folder)
    assert len(name) > 4096
    with opened_file(folder, name) as file:
        assert os.read(file, 1) == b""


def test_folder_gone_or_replaced_while_listing_does_not_end_it(folder: Path) -> None:
    for name in ("gone", "replaced"):
        (folder / name).mkdir()
    (folder / "a.csv").write_bytes(b"row\n")
    failed: list[bytes] = []

    def enters(name: bytes) -> bool:
        path = folder / os.fsdecode(name)
        path.rmdir()
        if name == b"replaced":
            path.write_bytes(b"")
        return True

    found = list_files(
        folder,
        enters=enters,
        entering=lambda *_: None,
        failing=lambda name, _: failed.append(name),
    )
    assert b"a.csv" in {one.name for one in found}
    assert failed == [b"replaced"]


def test_stamp_changes_with_the_content_even_if_size_and_time_are_put_back(folder: Path) -> None:
    path = folder / "a.csv"
    path.write_bytes(b"row 1\n")
    before = listed(folder)[b"a.csv"].stamp
    status = path.stat()
    path.write_bytes(b"row 2\n")
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))
    after = listed(folder)[b"a.csv"].stamp
    assert before[:2] == after[:2]
    assert before != after


def test_symbolic_link_is_not_opened(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "secret").write_bytes(b"secret")
    (folder / "a.csv").symlink_to(tmp_path / "secret")
    with pytest.raises(NotRegular), opened_file(folder, b"a.csv"):
        pass


def test_link_in_the_place_of_a_folder_is_not_followed(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "a.csv").write_bytes(b"secret")
    (folder / "below").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(OSError, match="Not a directory"), opened_file(folder, b"below/a.csv"):
        pass


def test_name_that_climbs_out_by_dots_is_only_what_lies_there(folder: Path) -> None:
    (folder / "..a.csv").write_bytes(b"row\n")
    assert list(listed(folder)) == [b"..a.csv"]


def test_pipe_and_socket_and_folder_are_not_opened(folder: Path) -> None:
    os.mkfifo(folder / "pipe")
    (folder / "folder").mkdir()
    with socket.socket(socket.AF_UNIX) as bound:
        bound.bind(str(folder / "socket"))
        for name in (b"pipe", b"folder", b"socket"):
            with pytest.raises(NotRegular), opened_file(folder, name):
                pass


def test_missing_folder_is_told_from_missing_file(folder: Path) -> None:
    with pytest.raises(FileNotFoundError), opened_file(folder, b"a.csv"):
        pass
    with pytest.raises(FolderLost), opened_file(folder / "gone", b"a.csv"):
        pass
    with pytest.raises(FolderLost):
        listed(folder / "gone")


def test_opened_files_and_folders_are_all_closed(folder: Path) -> None:
    (folder / "below").mkdir()
    (folder / "below" / "a.csv").write_bytes(b"row\n")
    before = len(list(Path("/proc/self/fd").iterdir()))
    listed(folder)
    with opened_file(folder, b"below/a.csv"):
        pass
    with pytest.raises(FileNotFoundError), opened_file(folder, b"below/b.csv"):
        pass
    assert len(list(Path("/proc/self/fd").iterdir())) == before


# --- file systems --------------------------------------------------------------------------------


@pytest.mark.parametrize("path", ["/", "/proc", "/dev"])
def test_type_is_what_df_of_coreutils_prints(path: str) -> None:
    printed = subprocess.run(
        ["df", "--output=fstype", path], check=True, capture_output=True, text=True
    ).stdout.split()[-1]
    assert filesystem_type(Path(path)) == printed


def test_type_in_the_table_as_documented() -> None:
    # The example line of the kernel's Documentation/filesystems/proc.rst, section 3.5.
    line = "36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw,errors=continue\n"
    assert mounted_type(line, 36) == "ext3"
    assert mounted_type(line, 35) == ""


@pytest.mark.parametrize(
    "name", ["nfs", "nfs4", "cifs", "smb3", "fuse", "fuse.sshfs", "9p", "vboxsf"]
)
def test_shares_are_polled(name: str) -> None:
    assert is_remote(name)


@pytest.mark.parametrize("name", ["ext4", "xfs", "btrfs", "tmpfs", "overlay", "zfs", "vfat", ""])
def test_local_disks_are_not(name: str) -> None:
    assert not is_remote(name)
