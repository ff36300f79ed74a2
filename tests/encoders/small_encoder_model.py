"""A real, small open_clip model, written to disk."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import open_clip
import torch
from safetensors.torch import save_file

CONFIG: dict[str, Any] = {
    "model_cfg": {
        "embed_dim": 24,
        "vision_cfg": {
            "image_size": 48,
            "layers": 2,
            "width": 64,
            "head_width": 32,
            "patch_size": 16,
        },
        "text_cfg": {"context_length": 8, "vocab_size": 32, "width": 16, "heads": 1, "layers": 1},
    },
    "preprocess_cfg": {
        "mean": [0.48, 0.45, 0.40],
        "std": [0.26, 0.25, 0.27],
        "interpolation": "bicubic",
        "resize_mode": "shortest",
    },
}


def write_model(folder: Path, config: dict[str, Any], *, seed: int = 5) -> Path:
    """Write a randomly initialised open_clip model as a model folder."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "open_clip_config.json").write_text(json.dumps(config), encoding="utf-8")
    torch.manual_seed(seed)
    model = open_clip.model.CLIP(**config["model_cfg"])
    save_file(
        {name: tensor.contiguous() for name, tensor in model.state_dict().items()},
        folder / "open_clip_model.safetensors",
    )
    return folder
