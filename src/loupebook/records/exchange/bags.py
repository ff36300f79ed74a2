"""Bags (BagIt, RFC 8493): written with two manifests, and received with distrust.

A bag is a folder, or a ZIP file that holds that folder. What comes from elsewhere is first
looked at without being believed: no links, no special files, no names that lead out of it, no
more than the limits allow; then `bagit` checks it to the last byte. Nothing is ever fetched.
"""

from __future__ import annotations

import errno
import hashlib
import logging
import lzma
import os
import re
import stat
import tempfile
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

import bagit

from loupebook.errors import BagRefused, SetError, SetExists

# What bagit tells its log is in our report; without a handler Python would print it.
logging.getLogger("bagit").addHandler(logging.NullHandler())

ALGORITHMS = ("sha256", "sha512")
_BLOCK = 1 << 20
_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_DRIVE = re.compile(r"[A-Za-z]:")


@dataclass(frozen=True)
class BagLimits:
    """What a bag from elsewhere may hold at most.

    Parameters
    ----------
    files : int
        Files, tag files included.
    file_bytes, total_bytes : int
        Size of one file, and of all together, in bytes as unpacked.
    ratio : int
        How many times larger than in the ZIP file a file may be, above a megabyte.
    depth : int
        Folders within folders.
    """

    files: int = 500_000
    file_bytes: int = 1_000_000_000
    total_bytes: int = 200_000_000_000
    ratio: int = 200
    depth: int = 8


DEFAULT_BAG_LIMITS = BagLimits()


def write_tags(bag: Path, about: Mapping[str, str]) -> None:
    """Make a folder whose ``data/`` is complete into a bag.

    Parameters
    ----------
    bag : Path
        The folder.
    about : mapping
        Further lines for ``bag-info.txt``.
    """
    payload = sorted(path for path in (bag / "data").rglob("*") if path.is_file())
    (bag / "bagit.txt").write_text(
        "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n", encoding="utf-8"
    )
    size = sum(path.stat().st_size for path in payload)
    lines = {**about, "Payload-Oxum": f"{size}.{len(payload)}"}
    (bag / "bag-info.txt").write_text(
        "".join(f"{name}: {' '.join(value.split())}\n" for name, value in lines.items()),
        encoding="utf-8",
    )
    _write_manifests(bag, "manifest", payload)
    tags = ["bag-info.txt", "bagit.txt", *(f"manifest-{name}.txt" for name in ALGORITHMS)]
    _write_manifests(bag, "tagmanifest", [bag / name for name in tags])


def _write_manifests(bag: Path, kind: str, files: list[Path]) -> None:
    lines: dict[str, list[str]] = {name: [] for name in ALGORITHMS}
    for path in files:
        running = {name: hashlib.new(name) for name in ALGORITHMS}
        with path.open("rb") as file:
            while block := file.read(_BLOCK):
                for one in running.values():
                    one.update(block)
        shown = path.relative_to(bag).as_posix()  # RFC 8493, 2.1.3: these must be encoded
        shown = shown.replace("%", "%25").replace("\n", "%0A").replace("\r", "%0D")
        for name in ALGORITHMS:
            lines[name].append(f"{running[name].hexdigest()}  {shown}\n")
    for name in ALGORITHMS:
        (bag / f"{kind}-{name}.txt").write_text("".join(lines[name]), encoding="utf-8")


@contextmanager
def made_whole(out: Path) -> Iterator[Path]:
    """Give a folder to write into; it gets its place when all of it is written.

    A name that ends in ``.zip`` gives a ZIP file of that folder.

    Raises
    ------
    SetExists
        Something is there already.
    SetError
        It cannot be written.
    """
    if out.exists() or out.is_symlink():
        raise SetExists(f"{out}: something is here already; choose another name")
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=out.parent, prefix=f".{out.name}.") as draft:
            folder = Path(draft) / out.stem
            folder.mkdir()
            yield folder
            if out.suffix.lower() == ".zip":
                packed = Path(draft) / "packed"
                _pack(folder, packed)
                packed.rename(out)
            else:
                folder.rename(out)
    except OSError as exc:
        raise SetError(f"{out}: it could not be written: {exc.strerror}") from exc


def _pack(folder: Path, target: Path) -> None:
    with zipfile.ZipFile(target, "x") as archive:
        for path in sorted(folder.rglob("*")):
            if path.is_file():
                # Photos are compressed already; the rest is small.
                archive.write(path, path.relative_to(folder.parent).as_posix())


@contextmanager
def received(source: Path, limits: BagLimits = DEFAULT_BAG_LIMITS) -> Iterator[Path]:
    """Give the payload folder of a bag that is sound to the last byte.

    Parameters
    ----------
    source : Path
        A bag: a folder, or a ZIP file of one.
    limits : BagLimits, optional
        What is refused as too large.

    Yields
    ------
    Path
        Its ``data`` folder; where it came in a ZIP file, it is gone afterwards.

    Raises
    ------
    BagRefused
        With everything that is wrong.
    SetError
        There is no room to unpack it.
    """
    if source.is_symlink() or not source.exists():
        raise BagRefused(f"{source}: there is no bag here (and links are not followed).")
    if source.is_dir():
        yield _checked(source, limits)
        return
    with tempfile.TemporaryDirectory(prefix="loupebook-bag-") as draft:
        yield _checked(_unpacked(source, Path(draft), limits), limits)


def _checked(bag: Path, limits: BagLimits) -> Path:
    faults = list(_odd_files(bag, limits))
    if faults:
        raise BagRefused(f"{bag.name}: this is not a bag that can be looked into:", tuple(faults))
    if _is_plain(bag):
        raise BagRefused(
            f"{bag.name}: this is a plain folder and no bag (it has no bagit.txt); 'loupebook add' "
            "takes the photos of a folder in, by its manifest.csv where it has one. Nothing was "
            "written."
        )
    try:
        opened: Any = bagit.Bag(str(bag))
        if not set(opened.algorithms) & set(ALGORITHMS):
            faults.append(f"it has no manifest of {' or '.join(ALGORITHMS)}")
        opened.validate(processes=1)
        faults += _unlisted_tags(bag)
    except bagit.BagValidationError as exc:
        faults += [str(exc.message), *(str(detail) for detail in exc.details)]
    except (bagit.BagError, OSError, ValueError, UnicodeError, LookupError) as exc:
        faults.append(str(exc) or type(exc).__name__)
    if faults:
        raise BagRefused(f"{bag.name}: the bag is not sound:", tuple(dict.fromkeys(faults)))
    return bag / "data"


def _is_plain(folder: Path) -> bool:
    """Whether a folder with something in it never was a bag; one that lost a file is damaged."""
    tags = [folder / "bagit.txt", folder / "data", *folder.glob("manifest-*.txt")]
    return not any(path.exists() for path in tags) and any(folder.iterdir())


def _unlisted_tags(bag: Path) -> Iterator[str]:
    """Yield what a tag manifest leaves out: one cut short would vouch for less than it seems."""
    for listing in bag.glob("tagmanifest-*.txt"):
        text = listing.read_text(encoding="utf-8")
        # sha256sum puts an asterisk before the name of a file read as binary; bagit passes it over.
        listed = {
            line.split(maxsplit=1)[-1].removeprefix("*").removeprefix("./")
            for line in text.splitlines()
            if line.strip()
        }
        wanted = {"bagit.txt", *(path.name for path in bag.glob("manifest-*.txt"))}
        yield from (f"{name} is not in {listing.name}" for name in sorted(wanted - listed))


def _odd_files(bag: Path, limits: BagLimits) -> Iterator[str]:
    count = total = 0
    for folder, folders, files in os.walk(bag):
        below = Path(folder).relative_to(bag)
        if len(below.parts) > limits.depth:
            yield f"{below}: more than {limits.depth} folders deep"
            return
        for name in (*folders, *files):
            about = (Path(folder) / name).lstat()
            if not (stat.S_ISREG(about.st_mode) or stat.S_ISDIR(about.st_mode)):
                yield f"{below / name}: a link or special file"
            if stat.S_ISREG(about.st_mode):
                count, total = count + 1, total + about.st_size
                if about.st_nlink > 1:
                    yield f"{below / name}: a hard link to a file that may lie outside"
                if about.st_size > limits.file_bytes:
                    yield f"{below / name}: larger than {limits.file_bytes:,} bytes"
        if count > limits.files or total > limits.total_bytes:
            yield f"more than {limits.files:,} files or {limits.total_bytes:,} bytes"
            return
    if (bag / "fetch.txt").exists():
        yield "fetch.txt: it asks to fetch files from elsewhere; ask for a complete bag"


def _unpacked(source: Path, draft: Path, limits: BagLimits) -> Path:
    """Unpack a ZIP file, counting what really comes out of it."""
    try:
        with zipfile.ZipFile(source) as archive:
            entries = archive.infolist()
            faults = list(_odd_entries(entries, limits))
            if faults:
                raise BagRefused(f"{source.name}: this file is not unpacked:", tuple(faults))
            left = limits.total_bytes
            for entry in entries:
                if not entry.is_dir():
                    left -= _unpack_one(archive, entry, draft, min(left, limits.file_bytes))
    except (
        zipfile.BadZipFile,
        zlib.error,
        lzma.LZMAError,
        OSError,
        EOFError,
        RuntimeError,
        ValueError,
    ) as exc:
        if isinstance(exc, OSError) and exc.errno in _NO_ROOM:
            raise SetError(
                f"{draft.parent}: there is no room to unpack {source.name} ({exc.strerror}); make "
                "room, or set TMPDIR to a folder that has it"
            ) from exc
        raise BagRefused(
            f"{source.name}: it is neither a folder nor a sound ZIP file ({exc})."
        ) from exc
    except (NotImplementedError, MemoryError) as exc:
        raise BagRefused(f"{source.name}: this kind of ZIP file is not read ({exc}).") from exc
    tops = list(draft.iterdir())
    if len(tops) != 1 or not tops[0].is_dir():
        raise BagRefused(f"{source.name}: it must hold one folder, the bag, and nothing else.")
    return tops[0]


def _odd_entries(entries: list[zipfile.ZipInfo], limits: BagLimits) -> Iterator[str]:
    if len(entries) > limits.files:
        yield f"more than {limits.files:,} files"
        return
    if sum(entry.file_size for entry in entries) > limits.total_bytes:
        yield f"more than {limits.total_bytes:,} bytes"
    seen: set[str] = set()
    for entry in entries:
        name = entry.filename
        path = PurePosixPath(name)
        kind = stat.S_IFMT(entry.external_attr >> 16)
        packed = max(entry.compress_size, 1)
        if (
            "\\" in name
            or "\0" in name
            or path.is_absolute()
            or _DRIVE.match(name)
            or ".." in path.parts
        ):
            yield f"{name!r}: a name that leads out of the bag"
        elif len(path.parts) > limits.depth + 1:
            yield f"{name!r}: more than {limits.depth} folders deep"
        if kind not in (0, stat.S_IFREG, stat.S_IFDIR):
            yield f"{name!r}: a link or special file"
        if entry.flag_bits & 1:
            yield f"{name!r}: encrypted"
        if entry.file_size > limits.file_bytes:
            yield f"{name!r}: larger than {limits.file_bytes:,} bytes"
        if entry.file_size > 1_000_000 and entry.file_size / packed > limits.ratio:
            yield f"{name!r}: {entry.file_size // packed:,} times larger than it is packed"
        # Where capitals do not count, two such names would be one file.
        if name.casefold() in seen:
            yield f"{name!r}: the name comes twice"
        seen.add(name.casefold())


def _unpack_one(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, draft: Path, most: int) -> int:
    target = draft / PurePosixPath(entry.filename)
    target.parent.mkdir(parents=True, exist_ok=True)
    written = 0
    with archive.open(entry) as packed, target.open("xb") as file:
        while block := packed.read(_BLOCK):
            written += len(block)
            if written > most:
                raise ValueError(f"{entry.filename!r} unpacks to more than it says")
            file.write(block)
    return written


def fingerprint(payload: Path) -> str:
    """Return the SHA-256 of the bag's own manifest, which names it among all bags."""
    for name in ALGORITHMS:
        manifest = payload.parent / f"manifest-{name}.txt"
        if manifest.is_file():
            return hashlib.sha256(manifest.read_bytes()).hexdigest()
    raise BagRefused(f"{payload.parent.name}: it has no manifest.")
