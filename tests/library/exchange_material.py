"""A small library that has everything an exchange carries, and ways to damage its bag."""

from __future__ import annotations

import hashlib
import io
import json
import os
import random
import shutil
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path

from PIL import Image

from drawn_prints import as_bytes, draw_print
from loupebook.library import (
    Element,
    IncomingPhoto,
    Library,
    Lighting,
    Provenance,
    Serial,
    SpecimenRecord,
    Standing,
    View,
)

PLACE = {1: "N", 2: (48.0, 1.0, 2.0), 3: "E", 4: (11.0, 2.0, 3.0)}


def with_place(picture: Image.Image) -> bytes:
    """Return a JPEG that tells where, when and by which phone it was taken."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Maker", "Phone 5"
    exif.get_ifd(0x8769)[0x9003] = "2026:01:02 03:04:05"
    exif.get_ifd(0x8825).update(PLACE)
    return as_bytes(picture, "JPEG", quality=90, exif=exif.tobytes())


def filled(folder: Path, **options: bool) -> Library:
    """Make a library of four specimens, of which one is withdrawn."""
    library = Library.create(folder, name="Prints <b>of</b> ours", notice="drawn", **options)
    for number in range(4):
        fake = number % 2 == 1
        record = SpecimenRecord(
            f"S-{number}",
            Element.SEAL if number == 2 else Element.BAND,
            Standing.FAKE if fake else Standing.GENUINE,
            marque="Marque A",
            edition="Edition 1",
            origin="press 1" if fake else None,
            provenance=Provenance("a shop", "C. Example", "2026-03-04", "laboratory: file 7"),
            serials=(Serial(f"A {number}", "left"), Serial(f"{number}")),
            notes="=1+1\nseen twice",
        )
        photos = [IncomingPhoto(with_place(draw_print(number)), f"{number}.jpg", px_per_mm=20.5)]
        if number == 0:
            back = as_bytes(draw_print(50))
            photos.append(IncomingPhoto(back, "0-back.png", View.BACK, Lighting.UV_A))
        assert library.add_specimen(record, photos, by="E. Example").ok
    library.withdraw("S-3", by="E. Example", reason="doubt")
    return library


def state_of(library: Library) -> tuple[object, ...]:
    """Return everything that an import could change, files included."""
    files = sorted(
        (path.relative_to(library.folder).as_posix(), path.stat().st_size)
        for path in (library.folder / "photos").rglob("*")
        if path.is_file()
    )
    return (library.info(), library.log(), library.specimens(), library.photos(), files)


# ------------------------------------------------------------------ damage


def seal(bag: Path) -> None:
    """Make every manifest fit again after the payload was changed, as a forger would."""
    for name in [path.name for path in bag.iterdir() if "manifest-" in path.name]:
        (bag / name).unlink()
    info = bag / "bag-info.txt"
    lines = [line for line in info.read_text().splitlines() if not line.startswith("Payload")]
    info.write_text("\n".join(lines) + "\n")
    _write(bag, "manifest", [path for path in (bag / "data").rglob("*") if path.is_file()])
    tags = [path for path in bag.iterdir() if path.is_file()]
    _write(bag, "tagmanifest", tags)


def _write(bag: Path, kind: str, files: list[Path]) -> None:
    for algorithm in ("sha256", "sha512"):
        lines = [
            f"{hashlib.new(algorithm, path.read_bytes()).hexdigest()}  "
            f"{path.relative_to(bag).as_posix()}\n"
            for path in sorted(files)
        ]
        (bag / f"{kind}-{algorithm}.txt").write_text("".join(lines))


def files_of(bag: Path) -> list[Path]:
    return sorted(path for path in bag.rglob("*") if path.is_file())


def photo_of(bag: Path, chance: random.Random) -> Path:
    return chance.choice(sorted((bag / "data" / "photos").iterdir()))


def flip_a_bit(bag: Path, chance: random.Random) -> None:
    path = chance.choice(files_of(bag))
    data = bytearray(path.read_bytes())
    while True:
        place, bit = chance.randrange(len(data)), chance.randrange(8)
        # A hexadecimal digit in capitals says the same (RFC 8493, 2.1.3), and so does white
        # space of another kind between digest and name.
        if (
            bit != 5
            and data[place] not in b" \t\r\n"
            and data[place] ^ (1 << bit) not in b" \t\r\n"
        ):
            break
    data[place] ^= 1 << bit
    path.write_bytes(data)


def remove_a_file(bag: Path, chance: random.Random) -> None:
    kept = ("tagmanifest-sha256.txt", "tagmanifest-sha512.txt")  # a bag may be without (2.2.1)
    chance.choice([path for path in files_of(bag) if path.name not in kept]).unlink()


def add_a_file(bag: Path, chance: random.Random) -> None:
    (bag / "data" / chance.choice(["photos/more.jpg", "more.txt", ".hidden"])).write_text("x")


def truncate_a_file(bag: Path, chance: random.Random) -> None:
    path = chance.choice([one for one in files_of(bag) if one.stat().st_size > 20])
    path.write_bytes(path.read_bytes()[: chance.randrange(path.stat().st_size)])


def swap_two_files(bag: Path, chance: random.Random) -> None:
    one, other = chance.sample(sorted((bag / "data" / "photos").iterdir()), 2)
    first = one.read_bytes()
    one.write_bytes(other.read_bytes())
    other.write_bytes(first)


def wrong_hash(bag: Path, chance: random.Random) -> None:
    path = bag / chance.choice(["manifest-sha256.txt", "manifest-sha512.txt"])
    lines = path.read_text().splitlines()
    place = chance.randrange(len(lines))
    lines[place] = ("0" if lines[place][0] != "0" else "1") + lines[place][1:]
    path.write_text("\n".join(lines) + "\n")


def name_outside(bag: Path, chance: random.Random) -> None:
    path = bag / "manifest-sha256.txt"
    outside = chance.choice(["../outside.txt", "/etc/hostname", "data/../../x", "~/x"])
    path.write_text(path.read_text() + "0" * 64 + f"  {outside}\n")


def link_to_outside(bag: Path, chance: random.Random) -> None:
    path = photo_of(bag, chance)
    copy = bag.parent / "outside"
    copy.write_bytes(path.read_bytes())
    path.unlink()
    if chance.random() < 0.5:
        path.symlink_to(copy)
    else:
        os.link(copy, path)


def link_a_folder(bag: Path, chance: random.Random) -> None:
    photos = bag / "data" / "photos"
    moved = bag.parent / "moved"
    photos.rename(moved)
    photos.symlink_to(moved, target_is_directory=True)


def huge_picture(bag: Path, chance: random.Random) -> None:
    side = chance.choice([60_000, 2**31 - 1])
    replace_photo(bag, chance, png(side, side, zlib.compress(b"\0" * 100)))


def picture_bomb(bag: Path, chance: random.Random) -> None:
    rows = zlib.compress(b"\0" * 20_000_000, 9)
    replace_photo(bag, chance, png(30_001, 666, rows))


def no_picture(bag: Path, chance: random.Random) -> None:
    replace_photo(bag, chance, chance.choice([b"nothing", b"\xff\xd8\xff", b"<svg/>", b"GIF89a"]))


def png(width: int, height: int, rows: bytes) -> bytes:
    def chunk(kind: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def replace_photo(bag: Path, chance: random.Random, data: bytes) -> None:
    """Put another file in the place of a photo, in the catalogue and the manifests too."""
    old = photo_of(bag, chance)
    new = hashlib.sha256(data).hexdigest()
    old.with_name(new + old.suffix).write_bytes(data)
    old.unlink()
    lines = bag / "data" / "photos.jsonl"
    lines.write_text(lines.read_text().replace(old.stem, new))
    seal(bag)


def bad_catalogue(bag: Path, chance: random.Random) -> None:
    """Change the catalogue to what must not come in, and make the manifests fit."""
    name = chance.choice(["specimens.jsonl", "photos.jsonl"])
    path = bag / "data" / name
    lines = path.read_text(encoding="utf-8").splitlines()
    told = json.loads(lines[0])
    if name == "specimens.jsonl":
        told |= chance.choice(
            [
                {"standing": "perhaps"},
                {"name": ""},
                {"name": "a\x00b"},
                {"name": ["S-0"]},
                {"state": "withdrawn"},
                {"serials": "A 1"},
                {"confirmed_on": "soon"},
                {"notes": "x" * 20_000},
                {"marque": None},
                {"element": {"a": 1}},
            ]
        )
    else:
        told |= chance.choice(
            [
                {"file": "../../etc/passwd"},
                {"file": "photos/../set.json"},
                {"sha256": "0" * 64},
                {"sha256": "../x"},
                {"specimen": "nobody"},
                {"view": "inside"},
                {"px_per_mm": -1},
                {"px_per_mm": "wide"},
                {"camera": "Phone"},
                {"original_sha256": "no"},
            ]
        )
    lines[0] = json.dumps(told)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    seal(bag)


def bad_json(bag: Path, chance: random.Random) -> None:
    path = bag / "data" / chance.choice(["specimens.jsonl", "photos.jsonl", "set.json"])
    bad = chance.choice(["[" * 100_000, "{", '{"a": NaN}', "[]", "\x00", '{"layout": "other/1"}'])
    path.write_text(bad)
    seal(bag)


def not_utf8(bag: Path, chance: random.Random) -> None:
    path = bag / "data" / chance.choice(["specimens.jsonl", "set.json"])
    path.write_bytes(path.read_bytes() + b"\xff\xfe\n")
    seal(bag)


def only_weak_manifest(bag: Path, chance: random.Random) -> None:
    for path in list(bag.glob("*manifest-*.txt")):
        path.unlink()
    files = [path for path in (bag / "data").rglob("*") if path.is_file()]
    (bag / "manifest-md5.txt").write_text(
        "".join(
            f"{hashlib.md5(path.read_bytes()).hexdigest()}  {path.relative_to(bag).as_posix()}\n"
            for path in files
        )
    )


def asks_to_fetch(bag: Path, chance: random.Random) -> None:
    (bag / "fetch.txt").write_text("http://127.0.0.1:9/x 10 data/photos/x.jpg\n")
    seal(bag)


def wrong_version(bag: Path, chance: random.Random) -> None:
    text = chance.choice(["", "BagIt-Version: 9.9\nTag-File-Character-Encoding: UTF-8\n", "x"])
    (bag / "bagit.txt").write_text(text)


FOLDER_DAMAGE: tuple[Callable[[Path, random.Random], None], ...] = (
    flip_a_bit, flip_a_bit, remove_a_file, add_a_file, truncate_a_file, swap_two_files,
    wrong_hash, name_outside, link_to_outside, link_a_folder, huge_picture, picture_bomb,
    no_picture, bad_catalogue, bad_catalogue, bad_json, not_utf8, only_weak_manifest,
    asks_to_fetch, wrong_version,
)  # fmt: skip


# ------------------------------------------------------------------ damaged ZIP files


def zipped(bag: Path) -> list[tuple[zipfile.ZipInfo, bytes]]:
    return [
        (zipfile.ZipInfo(f"bag/{path.relative_to(bag).as_posix()}"), path.read_bytes())
        for path in files_of(bag)
    ]


def write_zip(target: Path, entries: list[tuple[zipfile.ZipInfo, bytes]]) -> Path:
    with zipfile.ZipFile(target, "w") as archive:
        for about, data in entries:
            archive.writestr(about, data)
    return target


def escaping_name(bag: Path, target: Path, chance: random.Random) -> Path:
    name = chance.choice(
        ["../out.txt", "/out.txt", "bag/../../out.txt", "C:/out.txt", "bag\\..\\..\\out.txt"]
    )
    return write_zip(target, [*zipped(bag), (zipfile.ZipInfo(name), b"x")])


def zip_bomb(bag: Path, target: Path, chance: random.Random) -> Path:
    about = zipfile.ZipInfo("bag/data/zeros")
    about.compress_type = zipfile.ZIP_DEFLATED
    return write_zip(target, [*zipped(bag), (about, b"\0" * 30_000_000)])


def lying_size(bag: Path, target: Path, chance: random.Random) -> Path:
    """Say in the directory that a file is small; it unpacks to more."""
    about = zipfile.ZipInfo("bag/data/zeros")
    about.compress_type = zipfile.ZIP_DEFLATED
    write_zip(target, [*zipped(bag), (about, b"\0" * 3_000_000)])
    data = target.read_bytes()
    target.write_bytes(data.replace(struct.pack("<I", 3_000_000), struct.pack("<I", 300)))
    return target


def zipped_link(bag: Path, target: Path, chance: random.Random) -> Path:
    about = zipfile.ZipInfo("bag/data/photos/link.jpg")
    about.external_attr = 0o120777 << 16
    return write_zip(target, [*zipped(bag), (about, b"/etc/hostname")])


def same_name_twice(bag: Path, target: Path, chance: random.Random) -> Path:
    entries = zipped(bag)
    about = zipfile.ZipInfo(chance.choice(["bag/data/SET.json", "bag/data/set.json"]))
    return write_zip(target, [*entries, (about, b"{}")])


def two_tops(bag: Path, target: Path, chance: random.Random) -> Path:
    return write_zip(target, [*zipped(bag), (zipfile.ZipInfo("beside.txt"), b"x")])


def cut_zip(bag: Path, target: Path, chance: random.Random) -> Path:
    data = write_zip(target, zipped(bag)).read_bytes()
    target.write_bytes(data[: chance.randrange(len(data))])
    return target


def flipped_zip(bag: Path, target: Path, chance: random.Random) -> Path:
    """Flip a bit within what the files hold (times and comments of a ZIP bear nothing)."""
    write_zip(target, zipped(bag))
    data = bytearray(target.read_bytes())
    with zipfile.ZipFile(target) as archive:
        entry = chance.choice([one for one in archive.infolist() if one.file_size > 100])
    start = entry.header_offset + 30 + len(entry.filename)
    data[start + chance.randrange(entry.file_size)] ^= 1 << chance.randrange(8)
    target.write_bytes(data)
    return target


def no_zip(bag: Path, target: Path, chance: random.Random) -> Path:
    target.write_bytes(chance.choice([b"", b"PK", b"Rar!", b"\x1f\x8b" + b"x" * 100]))
    return target


def deep_folders(bag: Path, target: Path, chance: random.Random) -> Path:
    about = zipfile.ZipInfo("bag/data/" + "a/" * 400 + "x")
    return write_zip(target, [*zipped(bag), (about, b"x")])


ZIP_DAMAGE: tuple[Callable[[Path, Path, random.Random], Path], ...] = (
    escaping_name, zip_bomb, lying_size, zipped_link, same_name_twice, two_tops, cut_zip,
    flipped_zip, no_zip, deep_folders,
)  # fmt: skip


def damaged(bag: Path, work: Path, count: int) -> Iterator[tuple[str, Path]]:
    """Yield `count` damaged bags, each with the name of its damage; two thirds are folders."""
    for number in range(count):
        chance = random.Random(number)
        place = work / str(number)
        place.mkdir()
        if number % 3 == 2:
            harm = ZIP_DAMAGE[number // 3 % len(ZIP_DAMAGE)]
            yield harm.__name__, harm(bag, place / "bag.zip", chance)
        else:
            act = FOLDER_DAMAGE[(number - number // 3) % len(FOLDER_DAMAGE)]
            shutil.copytree(bag, place / "bag")
            act(place / "bag", chance)
            yield act.__name__, place / "bag"
        shutil.rmtree(place)


def pixels(data: bytes) -> bytes:
    with Image.open(io.BytesIO(data)) as picture:
        return picture.convert("RGB").tobytes()
