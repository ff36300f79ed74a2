"""Take the mean of weights: `python models/pair-print/average.py OUT IN IN...`.

Networks that go on from the same start lie in one basin: the mean of their weights costs no
more than one of them and is often as good as the mean of their answers (Wortsman et al., *Model
soups*, ICML 2022).
"""

from __future__ import annotations

import argparse
from pathlib import Path

import torch
from safetensors.torch import load_file, save_file


def main() -> None:
    """Write the mean, in half precision."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("out", type=Path)
    parser.add_argument("given", type=Path, nargs="+")
    chosen = parser.parse_args()
    held = [load_file(path) for path in chosen.given]
    made = {}
    for name, plane in held[0].items():
        if plane.dtype.is_floating_point:
            every = torch.stack([weights[name].float() for weights in held])
            made[name] = every.mean(dim=0).half().contiguous()
        else:
            made[name] = plane
    save_file(made, chosen.out)


if __name__ == "__main__":
    main()
