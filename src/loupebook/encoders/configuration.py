"""The ``open_clip_config.json`` of a model folder: read and checked before anything is built.

open_clip takes much on trust: a channel too few fails only at the first picture, a deviation of
zero gives embeddings that are no numbers, and a tower that names a hub is fetched from there.
What a model folder names must lie in it, since it is to work without a network.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, TypeGuard

from loupebook.errors import EncoderUnavailable

CONFIG_FILE = "open_clip_config.json"
RESIZE_MODES = ("longest", "shortest", "squash")
_INTERPOLATIONS = ("bicubic", "bilinear", "random")
_CHANNELS = 3


def read_configuration(folder: Path) -> dict[str, Any]:
    """Return the configuration of a model folder.

    Parameters
    ----------
    folder : Path
        Folder that holds ``open_clip_config.json``.

    Raises
    ------
    EncoderUnavailable
        If it cannot be read or used, with all that is wrong with it and what to do.
    """
    path = folder / CONFIG_FILE
    try:
        config = json.loads(path.read_text(encoding="utf-8"))
    except OSError as exc:
        raise EncoderUnavailable(
            f"{path} cannot be read ({exc.strerror}). Check its permissions."
        ) from exc
    except (ValueError, RecursionError) as exc:
        raise EncoderUnavailable(
            f"{path} is not valid JSON: {exc}. Save the model anew with open_clip, or restore the "
            "file from a copy."
        ) from exc
    if not isinstance(config, dict):
        raise EncoderUnavailable(f"{path} must hold a JSON object.")
    faults = [*_model_faults(config), *_preprocess_faults(config), *_section_faults(config)]
    if faults:
        raise EncoderUnavailable(
            f"{path} cannot be used: {'; '.join(faults)}. Save the model anew with open_clip, or "
            "correct the file."
        )
    return config


def _model_faults(config: Mapping[str, Any]) -> Iterator[str]:
    model = config.get("model_cfg")
    if not isinstance(model, dict):
        yield "model_cfg must be an object"
        return
    dim = model.get("embed_dim")
    if not _is_whole(dim) or dim < 1:
        yield "model_cfg.embed_dim must be a whole number above 0"
    for tower in ("vision_cfg", "text_cfg"):
        if not isinstance(model.get(tower), dict):
            yield f"model_cfg.{tower} must be an object"
    yield from _elsewhere(model)


def _elsewhere(model: Mapping[str, Any]) -> Iterator[str]:
    """Yield what would be fetched from a hub or another folder."""
    # timm takes a name with a scheme before it, as in hf-hub:…, from there; a text side of this
    # kind always comes from a hub.
    for tower, key, sign in (
        ("vision_cfg", "timm_model_name", ":"),
        ("text_cfg", "hf_model_name", ""),
    ):
        name = model[tower].get(key) if isinstance(model.get(tower), dict) else None
        if name and sign in str(name):
            yield (
                f"model_cfg.{tower}.{key} names {name!r}, which does not lie in the folder: a "
                "model folder works without a network, so load such a model by its hub's name"
            )


def _preprocess_faults(config: Mapping[str, Any]) -> Iterator[str]:
    wanted = config.get("preprocess_cfg")
    if wanted is None:  # open_clip has its own
        return
    if not isinstance(wanted, dict):
        yield "preprocess_cfg must be an object"
        return
    for key in ("mean", "std"):
        values = wanted.get(key)
        if values is None:
            continue
        if (
            not isinstance(values, list)
            or len(values) != _CHANNELS
            or not all(map(is_number, values))
        ):
            yield f"preprocess_cfg.{key} must be {_CHANNELS} numbers"
        elif key == "std" and min(values) <= 0:
            yield "preprocess_cfg.std must be above 0"
    for key, allowed in (("interpolation", _INTERPOLATIONS), ("resize_mode", RESIZE_MODES)):
        if wanted.get(key) not in (None, *allowed):
            may = ", ".join(allowed)
            yield f"preprocess_cfg.{key} {wanted[key]!r} is unknown; allowed are {may}"
    fill = wanted.get("fill_color")
    if fill is not None and not (_is_whole(fill) and 0 <= fill <= 255):
        yield "preprocess_cfg.fill_color must be a whole number from 0 to 255"


def _section_faults(config: Mapping[str, Any]) -> Iterator[str]:
    if not isinstance(config.get("loupebook", {}), dict):
        yield "loupebook must be an object"


def is_number(value: object) -> bool:
    """Say whether a JSON value is a number that one can count with."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _is_whole(value: object) -> TypeGuard[int]:
    return isinstance(value, int) and not isinstance(value, bool)
