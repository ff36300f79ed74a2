"""Checkpoints to open_clip folder: `python models/lite0-print/export.py LAST START SHARE`.

The shipped weights lie on the line between those before training and those after it, SHARE
of the way: what the start knew of the wide world is kept (Wortsman et al. 2022, "Robust
fine-tuning of zero-shot models", arXiv:2109.01903).

Writes ``open_clip_model.safetensors`` beside this file, in half precision, with a minute,
untrained text side, which open_clip wants and Loupebook never uses. Then loads the folder as
the product does and checks that its embeddings equal those of the training network.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parents[1] / "src")]

import numpy as np
import open_clip
import torch
from recipe.network import Tower
from safetensors.torch import load_file, save_file

from loupebook.encoders import load_encoder

WEIGHTS = "open_clip_model.safetensors"


def write(state: dict[str, torch.Tensor]) -> None:
    """Write the weights under open_clip's names."""
    config = json.loads((HERE / "open_clip_config.json").read_text(encoding="utf-8"))
    torch.manual_seed(0)
    model = open_clip.model.CustomTextCLIP(
        **{key: value for key, value in config["model_cfg"].items() if key != "custom_text"}
    )
    target = model.state_dict()
    for name, tensor in state.items():
        place = "head.proj.weight" if name == "proj.weight" else name
        target[f"visual.{place}"] = tensor
    model.load_state_dict(target)
    halved = {
        name: tensor.half().contiguous() if tensor.is_floating_point() else tensor.contiguous()
        for name, tensor in model.state_dict().items()
    }
    save_file(halved, HERE / WEIGHTS, metadata={"format": "pt"})
    (HERE / WEIGHTS).chmod(0o644)


def check(state: dict[str, torch.Tensor]) -> float:
    """Return the least cosine between the product's and the recipe's embeddings."""
    tower = Tower(state["proj.weight"].shape[0])
    tower.load_state_dict(state)
    tower.eval()
    # At the network's own size, so that no resizing comes between.
    pictures = np.random.default_rng(0).integers(0, 256, (4, 256, 256, 3), dtype=np.uint8)
    batch = torch.from_numpy(pictures).permute(0, 3, 1, 2).float() / 255
    with torch.no_grad():
        ours = tower(batch).numpy()
    theirs = load_encoder(f"local-dir:{HERE}", device="cpu").embed(list(pictures))
    return float((ours * theirs).sum(1).min())


def main() -> None:
    """Export, then check."""
    last, start, share = load_file(sys.argv[1]), load_file(sys.argv[2]), float(sys.argv[3])
    step = int(last.pop("step"))
    # Counters of batch normalisation are whole numbers, and do not move.
    state = {
        name: torch.lerp(start[name].float(), tensor.float(), share)
        if tensor.is_floating_point()
        else tensor
        for name, tensor in last.items()
    }
    # What is stored, and so what is checked, is half precision.
    state = {
        name: tensor.half().float() if tensor.is_floating_point() else tensor
        for name, tensor in state.items()
    }
    write(state)
    cosine = check(state)
    size = (HERE / WEIGHTS).stat().st_size / 1e6
    print(f"step {step}: {size:.1f} MB, least cosine to the recipe's network {cosine:.6f}")
    if cosine < 0.9999:
        raise SystemExit("The exported folder does not embed as the training network does.")


if __name__ == "__main__":
    main()
