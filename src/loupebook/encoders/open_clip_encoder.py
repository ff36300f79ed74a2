"""Any open_clip image tower as an encoder.

Beside open_clip's own keys, the ``open_clip_config.json`` of a model folder may carry a
section ``loupebook``, for what open_clip cannot express::

    "loupebook": {"pooling": "gem", "gem_power": 3.0}

``gem`` replaces the tower's own pooling by the generalised mean over the feature map
(Radenović, Tolias, Chum, doi:10.1109/TPAMI.2018.2846566); it needs a timm tower. Everything
in the section is part of the fingerprint.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from numpy.typing import NDArray

from loupebook.encoders.configuration import is_number
from loupebook.encoders.fingerprint import fingerprint_encoder
from loupebook.encoders.preprocess import Preprocess
from loupebook.encoders.threads import settle_torch
from loupebook.errors import EncoderUnavailable

if TYPE_CHECKING:
    from torch import Tensor, nn

    from loupebook.encoders.base import Pixels


@dataclass(frozen=True)
class Pooling:
    """How a feature map becomes one vector.

    Parameters
    ----------
    kind : {'tower', 'gem'}
        ``tower`` leaves it to the tower, ``gem`` takes the generalised mean.
    power : float
        Exponent of the generalised mean: 1 is the average, infinity the maximum.
    """

    kind: str = "tower"
    power: float = 1.0

    @classmethod
    def from_section(cls, section: Mapping[str, Any]) -> Pooling:
        """Read the ``loupebook`` section of a configuration.

        Raises
        ------
        EncoderUnavailable
            If the section asks for something unknown: a silent default would give other
            vectors than the makers of the model meant.
        """
        unknown = set(section) - {"pooling", "gem_power"}
        kind = section.get("pooling", "tower")
        power = section.get("gem_power", 1.0)
        valid = kind in ("tower", "gem") and is_number(power) and power >= 1
        if unknown or not valid:
            raise EncoderUnavailable(
                f"The 'loupebook' section of the model's configuration is not understood: "
                f"{dict(section)}. Allowed are pooling (tower, gem) and gem_power (at least 1)."
            )
        return cls(kind=kind, power=float(power))


class OpenClipEncoder:
    """The image tower of an open_clip model, ready to embed.

    Parameters
    ----------
    name : str
        The name it was asked for by.
    tower : torch module
        ``model.visual`` of an open_clip model.
    architecture : mapping
        What builds the tower (``vision_cfg`` and the like), for the fingerprint.
    preprocess : Preprocess
        How pictures come to the tower.
    pooling : Pooling
        How its feature map becomes a vector.
    device : str
        A torch device that exists.
    """

    def __init__(
        self,
        name: str,
        tower: nn.Module,
        *,
        architecture: Mapping[str, Any],
        preprocess: Preprocess,
        pooling: Pooling,
        device: str,
    ) -> None:
        import torch

        from loupebook.encoders.folding import fold_batch_norms
        from loupebook.encoders.gem import GemPooled

        settle_torch()
        if pooling.kind == "gem" and not hasattr(tower, "trunk"):
            raise EncoderUnavailable(f"{name}: GeM pooling needs a timm image tower.")
        self.name = name
        self.preprocess = preprocess
        self._device = device
        self.fingerprint = fingerprint_encoder(
            tower.state_dict(),
            {
                "architecture": architecture,
                "preprocess": preprocess.settings(),
                "pooling": asdict(pooling),
            },
        )
        network = GemPooled(tower, pooling.power) if pooling.kind == "gem" else tower
        noise = np.random.default_rng(1).integers(0, 256, (64, 64, 3), dtype=np.uint8)
        self._network = fold_batch_norms(
            network.eval().requires_grad_(False), preprocess.batch([noise])
        )
        # Channels last suits convolutions on any device; towers without them ignore it.
        self._network.to(device=device, memory_format=torch.channels_last)  # type: ignore[call-overload]
        self.dim = self.embed([np.zeros((8, 8, 3), np.uint8)]).shape[1]

    def embed(self, pictures: Sequence[Pixels], *, batch_size: int = 16) -> NDArray[np.float32]:
        """Embed pictures; see :meth:`loupebook.encoders.base.Encoder.embed`."""
        if len(pictures) == 0:
            return np.empty((0, self.dim), np.float32)
        starts = range(0, len(pictures), batch_size)
        groups = (pictures[start : start + batch_size] for start in starts)
        return np.concatenate([self.embed_batch(batch) for batch in self._prepared(groups)])

    def embed_batch(self, batch: Tensor) -> NDArray[np.float32]:
        """Put one preprocessed batch, float32 (n, 3, height, width), through the network."""
        import torch

        from loupebook.encoders.folding import first_of

        with torch.inference_mode():
            features = first_of(self._network(batch.to(self._device))).float()
            unit = torch.nn.functional.normalize(features, dim=1)
            return cast("NDArray[np.float32]", unit.cpu().numpy())

    def _prepared(self, groups: Iterable[Sequence[Pixels]]) -> Iterator[Tensor]:
        """Preprocess the next group while the network works on the last one."""
        with ThreadPoolExecutor(max_workers=1, thread_name_prefix="preprocess") as pool:
            waiting: Future[Tensor] | None = None
            for group in groups:
                following = pool.submit(self.preprocess.batch, group)
                if waiting is not None:
                    yield waiting.result()
                waiting = following
            if waiting is not None:
                yield waiting.result()
