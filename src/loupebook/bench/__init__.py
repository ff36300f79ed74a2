"""How often search finds the right reference, measured side by side with simpler ways.

Figures of one run may be compared with each other; times depend on the machine.
"""

from loupebook.bench.capture import picture_case
from loupebook.bench.cases import BenchCase, BenchQuery, BenchReference, demo_case, photo_case
from loupebook.bench.figures import CaseFigures
from loupebook.bench.methods import make_methods
from loupebook.bench.retrieval import BenchResult, run_bench, table_of
from loupebook.bench.worlds import WorldsWanted

__all__ = [
    "BenchCase",
    "BenchQuery",
    "BenchReference",
    "BenchResult",
    "CaseFigures",
    "WorldsWanted",
    "demo_case",
    "make_methods",
    "photo_case",
    "picture_case",
    "run_bench",
    "table_of",
]
