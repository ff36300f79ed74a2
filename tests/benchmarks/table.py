"""Benchmark results as a table of text and as JSON: one place for all benchmark scripts."""

from __future__ import annotations

import json
import os
import platform
import sys
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

from rich.console import Console
from rich.table import Table


def print_table(title: str, rows: Sequence[Mapping[str, object]]) -> None:
    """Print rows of like keys as one table."""
    table = Table(title=title, title_justify="left")
    for key in rows[0]:
        table.add_column(str(key))
    for row in rows:
        table.add_row(*(_cell(value) for value in row.values()))
    Console(width=160).print(table)


def _cell(value: object) -> str:
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def save_rows(path: Path, title: str, rows: Sequence[Mapping[str, object]]) -> None:
    """Write the same rows as JSON, with what they were measured on."""
    path.parent.mkdir(parents=True, exist_ok=True)
    machine = {"python": sys.version.split()[0], "machine": platform.machine()}
    path.write_text(
        json.dumps({"title": title, "measured_on": machine, "rows": list(rows)}, indent=1),
        encoding="utf-8",
    )


def save_markdown(
    path: Path, title: str, command: str, rows: Sequence[Mapping[str, object]]
) -> None:
    """Write the same rows as a Markdown page that says how and on what they were measured."""
    _write_page(path, [*_head(title, command), *_lines(rows)])


def save_tables(
    path: Path,
    title: str,
    command: str,
    tables: Mapping[str, Sequence[Mapping[str, object]]],
    notes: Sequence[str] = (),
) -> None:
    """Write several tables as one such page, each under its heading, and notes under them."""
    lines = _head(title, command)
    for heading, rows in tables.items():
        lines += [f"## {heading}", "", *_lines(rows), ""]
    _write_page(path, [*lines, *(f"{note}\n" for note in notes)])


def _head(title: str, command: str) -> list[str]:
    return [
        f"# {title}",
        "",
        f"`{command}`, {time.strftime('%Y-%m-%d')}, Python {platform.python_version()}, "
        f"{os.cpu_count()} cores ({platform.machine()}); load average of the last 15 minutes "
        f"{os.getloadavg()[2]:.1f} (where that is above the number of cores, others shared the "
        "machine and times are longer than they need be).",
        "",
    ]


def _lines(rows: Sequence[Mapping[str, object]]) -> list[str]:
    return [
        "| " + " | ".join(map(str, rows[0])) + " |",
        "|" + "---|" * len(rows[0]),
        *("| " + " | ".join(map(_cell, row.values())) + " |" for row in rows),
    ]


def _write_page(path: Path, lines: Sequence[str]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join(lines).rstrip() + "\n", encoding="utf-8")
