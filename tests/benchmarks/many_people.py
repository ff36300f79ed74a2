"""Ten people add and search in one set at once, each in a process of their own.

Each adds specimens, searches for those that they know to be in the set (and expects them
first), withdraws and reinstates. At the end every write that was reported done must be there,
every line of the log must follow from the one before, and ``verify`` must pass.

    python tests/benchmarks/many_people.py            # 10 people, 300 s; writes the table
    python tests/benchmarks/many_people.py --people 3 --seconds 20 --no-table
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import random
import sys
import tempfile
import time
import traceback
from dataclasses import dataclass, field
from multiprocessing.synchronize import Barrier
from pathlib import Path
from statistics import median, quantiles

os.environ["OMP_NUM_THREADS"] = "1"
HERE = Path(__file__).resolve()
sys.path[:0] = [str(HERE.parents[2] / "src"), str(HERE.parents[1])]

from drawn_prints import as_bytes, draw_print
from loupebook.library import (
    Element,
    IncomingPhoto,
    IntakeState,
    Library,
    SpecimenRecord,
    Standing,
)

RESULT = HERE.parent / "results" / "many_people.md"
SIDE = 192
BEGUN_WITH = 12


@dataclass
class Outcome:
    """What one run came to."""

    people: int
    seconds: float
    times: dict[str, list[float]] = field(default_factory=dict)
    errors: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    weaker: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)
    verified: list[str] = field(default_factory=list)
    sound: bool = False

    @property
    def ok(self) -> bool:
        return self.sound and not (self.errors or self.wrong or self.lost)


def picture(seed: int) -> bytes:
    return as_bytes(draw_print(seed, SIDE), "JPEG", quality=92)


def specimen(name: str, seed: int) -> SpecimenRecord:
    return SpecimenRecord(name, Element.BAND, Standing.FAKE if seed % 2 else Standing.GENUINE)


# ------------------------------------------------------------------ one person


def work(folder: Path, person: int, there: Barrier, seconds: float, told_in: Path) -> None:
    """Do what one person does until the time is over; tell each act on a line of JSON."""
    chance = random.Random(person)
    mine: dict[str, tuple[int, bool]] = {}  # name -> seed, in search
    with Library.open(folder) as library, told_in.open("w", encoding="utf-8") as out:
        library.encoder()
        there.wait()  # they begin together, when all are ready
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            act = chance.choices(["add", "search", "withdraw"], [4, 5, 1])[0]
            began = time.perf_counter()
            try:
                told = ACTS[act](library, person, chance, mine)
            except Exception as exc:
                told = {"error": f"{type(exc).__name__}: {exc}", "where": traceback.format_exc()}
            told |= {"act": act, "took": time.perf_counter() - began, "person": person}
            out.write(json.dumps(told) + "\n")
            out.flush()


def add(library: Library, person: int, chance: random.Random, mine: dict) -> dict:
    seed = 1000 * (person + 1) + len(mine)
    name = f"P{person}-{len(mine)}"
    report = library.add_specimen(
        specimen(name, seed), [IncomingPhoto(picture(seed), f"{name}.jpg")], by=f"Person {person}"
    )
    if not report.ok or len(report.added) != 1:
        return {"error": f"{name}: {report.faults}"}
    mine[name] = (seed, True)
    return {"done": name}


def search(library: Library, person: int, chance: random.Random, mine: dict) -> dict:
    name, (seed, there) = chance.choice([*mine.items(), ("S-0", (0, True)), ("S-1", (1, True))])
    report = library.search(picture(seed), k=3)
    found = [match.specimen for match in report.matches]
    if there and found[0] != name:
        return {"wrong": f"{name} was searched and {found} found"}
    if there and report.matches[0].similarity < 0.999:
        return {"weaker": f"{name} was found at {report.matches[0].similarity:.3f}"}
    if not there and name in found:
        return {"wrong": f"{name} is withdrawn and was found"}
    return {}


def withdraw(library: Library, person: int, chance: random.Random, mine: dict) -> dict:
    if not mine:
        return {}
    name = chance.choice(list(mine))
    seed, there = mine[name]
    if there:
        library.withdraw(name, by=f"Person {person}", reason="for a while")
    else:
        library.reinstate(name, by=f"Person {person}")
    mine[name] = (seed, not there)
    return {"done": name, "there": not there}


ACTS = {"add": add, "search": search, "withdraw": withdraw}


# ------------------------------------------------------------------ all of them


def _begin(folder: Path) -> None:
    with Library.create(folder, name="Shared") as library:
        for seed in range(BEGUN_WITH):
            photo = IncomingPhoto(picture(seed), f"{seed}.jpg")
            assert library.add_specimen(specimen(f"S-{seed}", seed), [photo], by="first").ok
        library.sync()


def run(folder: Path, *, people: int, seconds: float) -> Outcome:
    """Let them work, then hold the set to what they reported."""
    # In a process of its own: a fork must not find threads that were at work.
    first = multiprocessing.get_context("fork").Process(target=_begin, args=(folder,))
    first.start()
    first.join()
    assert first.exitcode == 0
    outcome = Outcome(people, seconds)
    with tempfile.TemporaryDirectory() as held:
        acts = _work_together(folder, Path(held), people, seconds, outcome)
    print(f"{len(acts)} acts done; checking", file=sys.stderr, flush=True)
    for told in acts:
        outcome.times.setdefault(told["act"], []).append(told["took"])
        if "error" in told:
            outcome.errors.append(told["error"] + "\n" + told.get("where", ""))
        if "wrong" in told:
            outcome.wrong.append(told["wrong"])
        if "weaker" in told:
            outcome.weaker.append(told["weaker"])
    _check(folder, acts, outcome)
    return outcome


def _work_together(
    folder: Path, held: Path, people: int, seconds: float, outcome: Outcome
) -> list[dict]:
    # Forked, so that all is imported once; nothing of the set is open before.
    kind = multiprocessing.get_context("fork")
    there = kind.Barrier(people)
    files = [held / f"{person}.jsonl" for person in range(people)]
    processes = [
        kind.Process(target=work, args=(folder, person, there, seconds, file))
        for person, file in enumerate(files)
    ]
    for process, file in zip(processes, files, strict=True):
        file.touch()  # one that dies before its first act leaves an empty one
        process.start()
    acts = []
    for person, (process, file) in enumerate(zip(processes, files, strict=True)):
        process.join(seconds + 120)
        if process.exitcode != 0:
            process.kill()
            outcome.errors.append(f"person {person} ended with {process.exitcode}")
        acts += [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]
    return acts


def _check(folder: Path, acts: list[dict], outcome: Outcome) -> None:
    there: dict[str, bool] = {}
    for told in acts:  # the acts of one person are in order, and nobody touches another's
        if "done" in told:
            there[told["done"]] = told.get("there", True)
    with Library.open(folder) as library:
        states = {one.name: one.state for one in library.specimens()}
        for name, searched in there.items():
            wanted = IntakeState.CONFIRMED if searched else IntakeState.WITHDRAWN
            if states.get(name) is not wanted:
                outcome.lost.append(f"{name}: {states.get(name)} instead of {wanted}")
        wrote = sum("done" in told for told in acts)
        if len(library.log()) != BEGUN_WITH + wrote:
            outcome.lost.append(f"{len(library.log())} lines of the log for {wrote} acts")
        library.sync()
        check = library.verify()
        outcome.sound, outcome.verified = check.ok, check.lines()


def table(outcome: Outcome) -> str:
    cores = os.cpu_count()
    lines = [
        "# Many people at once",
        "",
        f"{outcome.people} processes, {outcome.seconds:.0f} s, {cores} cores, other jobs beside. "
        "An add or a withdrawal makes every other process "
        "bring its index up to date before its next search.",
        "",
        "| act | times | median s | 95 % within s |",
        "|---|---|---|---|",
    ]
    for act, times in sorted(outcome.times.items()):
        high = quantiles(times, n=20)[-1] if len(times) > 1 else times[0]
        lines.append(f"| {act} | {len(times)} | {median(times):.2f} | {high:.2f} |")
    lines += [
        "",
        f"Errors shown to a person: {len(outcome.errors)}. Wrong results: {len(outcome.wrong)}. "
        f"Lost writes: {len(outcome.lost)}. First, but below a similarity of .999 (which one alone "
        f"always gets): {len(outcome.weaker)}. Afterwards verify says: {outcome.verified[-1]}.",
        "",
    ]
    return "\n".join(lines)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--people", type=int, default=10)
    parser.add_argument("--seconds", type=float, default=300)
    parser.add_argument("--no-table", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as held:
        outcome = run(Path(held) / "set", people=given.people, seconds=given.seconds)
    text = table(outcome)
    print(text)
    for one in (*outcome.errors, *outcome.wrong, *outcome.lost):
        print(one, file=sys.stderr)
    if not given.no_table:
        RESULT.write_text(text, encoding="utf-8")
    return 0 if outcome.ok else 1


if __name__ == "__main__":
    sys.exit(main())
