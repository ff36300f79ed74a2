"""Find an encoder by name and load it through open_clip.

=====================  ==============================================================
name                   what is loaded
=====================  ==============================================================
`None`                 the default, which ships with Loupebook
``lite0-print``        a folder under ``models/``
``local-dir:PATH``     a folder with ``open_clip_config.json`` and safetensors weights
``NAME/PRETRAINED``    a model that open_clip knows, with weights from the network
``hf-hub:ORG/MODEL``   a model on the hub
=====================  ==============================================================
"""

from __future__ import annotations

import logging
import threading
import warnings
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loupebook.bundled import bundled
from loupebook.encoders.configuration import CONFIG_FILE, read_configuration
from loupebook.encoders.threads import pick_device, settle_torch
from loupebook.errors import EncoderUnavailable, LoupebookError

if TYPE_CHECKING:
    from loupebook.encoders.open_clip_encoder import OpenClipEncoder

DEFAULT_ENCODER = "lite0-print"
"""Folder under ``models/`` that is used where no encoder is named."""

_PICKLED = (".bin", ".pth")
"""Weights of these kinds open_clip takes from a folder too, some before safetensors."""
_TALKATIVE = ("open_clip", "timm", "huggingface_hub")
_HUB_SWITCH = threading.Lock()
_REACH_SECONDS = 4.0
"""How long a hub may take to answer before it counts as out of reach."""


def load_encoder(name: str | None = None, *, device: str = "auto") -> OpenClipEncoder:
    """Load an encoder.

    Parameters
    ----------
    name : str, optional
        See the table at the head of this module.
    device : {'auto', 'cpu', 'cuda'}
        ``auto`` takes a CUDA card where there is one.

    Returns
    -------
    Encoder

    Raises
    ------
    EncoderUnavailable
        If weights or configuration cannot be had, with what to do about it.
    """
    chosen = DEFAULT_ENCODER if name is None else name.strip()
    if chosen.startswith("local-dir:"):
        return _load_folder(chosen, Path(chosen.removeprefix("local-dir:")).expanduser(), device)
    if chosen.startswith("hf-hub:"):
        return _load_remote(chosen, chosen, None, device)
    if "/" in chosen:
        model, _, pretrained = chosen.partition("/")
        return _load_remote(chosen, model, pretrained, device)
    try:
        folder = bundled(f"models/{chosen}")
    except LoupebookError as exc:
        raise EncoderUnavailable(
            f"There is no encoder {chosen!r}. Name a folder under models/, local-dir:PATH, "
            "NAME/PRETRAINED or hf-hub:ORG/MODEL."
        ) from exc
    return _load_folder(chosen, folder, device)


def _load_folder(name: str, folder: Path, device: str) -> OpenClipEncoder:
    if not (folder / CONFIG_FILE).is_file():
        raise EncoderUnavailable(
            f"{folder} is not a model folder: it has no {CONFIG_FILE}. Check the path."
        )
    if not any(folder.glob("*.safetensors")):
        raise EncoderUnavailable(
            f"{folder} has no weights in safetensors form. Other forms can run code when they "
            "are read and are not accepted: convert them first."
        )
    pickled = sorted(path.name for end in _PICKLED for path in folder.glob(f"*{end}"))
    if pickled:
        raise EncoderUnavailable(
            f"{folder} holds {pickled[0]}, which could be loaded instead of the safetensors "
            "weights and can run code. Move it out of the folder."
        )
    config = read_configuration(folder)
    return _build(name, f"local-dir:{folder}", None, device, config.get("loupebook", {}))


def _load_remote(name: str, model: str, pretrained: str | None, device: str) -> OpenClipEncoder:
    import open_clip

    if pretrained is not None:
        models = open_clip.list_models()
        if model not in models:
            raise EncoderUnavailable(
                f"open_clip {open_clip.__version__} knows no model {model!r}; "
                "open_clip.list_models() lists those that it knows."
            )
        tags = open_clip.list_pretrained_tags_by_model(model)
        if pretrained not in tags:
            raise EncoderUnavailable(
                f"{model} has no weights {pretrained!r}; there are: {', '.join(tags) or 'none'}."
            )
    with _hub_or_cache() as reachable:
        try:
            return _build(name, model, pretrained, device, {})
        except EncoderUnavailable as exc:
            if reachable:
                raise
            raise EncoderUnavailable(
                f"{name} is not on this machine and its hub cannot be reached. Connect to a "
                "network and try again, or use the default encoder, which needs none."
            ) from exc


def _build(
    name: str, model: str, pretrained: str | None, device: str, section: dict[str, Any]
) -> OpenClipEncoder:
    import open_clip

    from loupebook.encoders.open_clip_encoder import OpenClipEncoder, Pooling
    from loupebook.encoders.preprocess import Preprocess

    settle_torch()
    pooling = Pooling.from_section(section)
    target = pick_device(device)
    with _quiet():
        try:
            config = open_clip.get_model_config(model)
            loaded = open_clip.create_model(
                model, pretrained=pretrained, require_pretrained=True, weights_only=True
            )
        # open_clip, timm, safetensors, json and urllib raise what they like here.
        except Exception as exc:
            raise EncoderUnavailable(f"{name} cannot be loaded: {exc}") from exc
    return OpenClipEncoder(
        name,
        loaded.visual,
        architecture=_architecture(config),
        preprocess=Preprocess.from_open_clip(loaded.visual.preprocess_cfg),
        pooling=pooling,
        device=target,
    )


def _architecture(config: dict[str, Any]) -> dict[str, Any]:
    """Keep what shapes the image tower; the text side does not touch embeddings."""
    vision = {
        key: value
        for key, value in config["vision_cfg"].items()
        # open_clip writes into this one whether it fetched weights itself.
        if key != "timm_model_pretrained"
    }
    return {
        "vision_cfg": vision,
        "embed_dim": config["embed_dim"],
        "quick_gelu": bool(config.get("quick_gelu", False)),
    }


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep open_clip and what it calls from their own account of what we report ourselves.

    Only they are silenced, and only in this thread: others log and warn as before.
    """
    # Not taken back: there is one list of such filters for all threads, and to restore it would
    # undo what another has set meanwhile.
    warnings.filterwarnings("ignore", module=rf"({'|'.join(_TALKATIVE)})\b")
    here = threading.get_ident()

    def of_others(record: logging.LogRecord) -> bool:
        return record.thread != here or record.levelno > logging.ERROR

    # open_clip logs by the root itself.
    loggers = [logging.root, *_loggers_of(_TALKATIVE)]
    for logger in loggers:
        logger.addFilter(of_others)
    try:
        yield
    finally:
        for logger in loggers:
            logger.removeFilter(of_others)


def _loggers_of(packages: Collection[str]) -> list[logging.Logger]:
    return [
        logging.getLogger(name)
        for name in tuple(logging.root.manager.loggerDict)
        if name.partition(".")[0] in packages
    ]


@contextmanager
def _hub_or_cache() -> Iterator[bool]:
    """Find out once whether the hub answers; if not, let the hub client use its cache only.

    Left alone, the client tries every file five times with growing pauses: a minute without
    a network. The client has one switch for all threads, so they take turns: of two that set it
    and set it back crosswise, the later would leave it as the earlier had set it.
    """
    from huggingface_hub import constants

    with _HUB_SWITCH:
        reachable = _answers(constants.ENDPOINT)
        before = constants.HF_HUB_OFFLINE
        constants.HF_HUB_OFFLINE = before or not reachable
        try:
            yield reachable and not before
        finally:
            constants.HF_HUB_OFFLINE = before


def _answers(address: str) -> bool:
    import urllib.error
    import urllib.request

    request = urllib.request.Request(address, method="HEAD")
    try:
        with urllib.request.urlopen(request, timeout=_REACH_SECONDS):
            return True
    except urllib.error.HTTPError:
        return True  # it answered, if only to say no
    except (OSError, ValueError):
        return False
