"""The trained network on prints that have nothing to do with those it was trained on."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import torch
from compare_prints import PX_PER_MM, draw_print, photograph, violet

from loupebook.compare import Picture, Source, build_consensus, compare_with
from loupebook.compare.pair import CHANNELS, PairNetwork, inputs_of, network, tell


def flat(seed: int, *, blur: float = 0.8, light: float = 1.0) -> np.ndarray:
    """A print seen straight on, as sRGB 0..1."""
    shown = cv2.GaussianBlur(draw_print(seed), (0, 0), blur).astype(np.float32) / 255
    return np.clip(shown * light, 0, 1).astype(np.float32)


def redrawn(picture: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The same with a part of its middle drawn otherwise, and where that is."""
    other, where = picture.copy(), np.zeros(picture.shape[:2], bool)
    where[120:210, 160:290] = True
    other[120:210, 160:290] = other[120:210, 160:290][::-1, ::-1]
    return other, where


def asked(query: np.ndarray, model: np.ndarray):
    seen = np.ones(query.shape[:2], bool)
    return tell(query, model, np.full(seen.shape, 0.12, np.float32), seen)


@pytest.mark.parametrize("seed", [3, 4, 5])
def test_a_part_drawn_otherwise_shows_in_the_answer_and_at_its_place(seed):
    model = flat(seed)
    query = flat(seed, blur=0.9, light=0.97)
    other, where = redrawn(query)
    same, changed = asked(query, model), asked(other, model)
    assert changed.log_odds > same.log_odds + 0.5
    assert changed.drawn[where].mean() > 3 * changed.drawn[~where].mean()
    assert changed.drawn[where].mean() > 3 * same.drawn[where].mean()


def test_the_map_has_the_frame_of_the_pictures_and_is_nothing_where_nothing_is_seen():
    model = flat(6)[:201, :333]
    seen = np.ones(model.shape[:2], bool)
    seen[:, 200:] = False
    told = tell(model, model, np.zeros(seen.shape, np.float32), seen)
    assert told.drawn.shape == seen.shape
    assert told.drawn.dtype == np.float32
    assert (told.drawn[~seen] == 0).all()
    assert told.drawn.min() >= 0
    assert told.drawn.max() <= 1


def test_what_is_not_seen_changes_nothing():
    model, query = flat(7), flat(7, blur=1.0)
    seen = np.zeros(model.shape[:2], bool)
    seen[40:300, 40:400] = True
    spread = np.full(seen.shape, 0.1, np.float32)
    noise = np.random.default_rng(1).random(model.shape, np.float32)
    one = tell(query, model, spread, seen)
    other = tell(np.where(seen[..., None], query, noise), model, spread, seen)
    assert other.log_odds == pytest.approx(one.log_odds, abs=1e-4)


def test_the_same_answer_whatever_the_threads():
    query, _ = redrawn(flat(8))
    before = torch.get_num_threads()
    try:
        answers = []
        for threads in (1, 2):
            torch.set_num_threads(threads)
            answers.append(asked(query, flat(8)).log_odds)
    finally:
        torch.set_num_threads(before)
    assert answers[0] == pytest.approx(answers[1], abs=1e-3)


def test_the_shipped_weights_fit_the_network_and_are_ready_to_run():
    held = network()
    assert isinstance(held, PairNetwork)
    assert not held.training
    planes = inputs_of(*(torch.zeros(1, k, 32, 48) for k in (3, 3, 1, 1)))
    assert planes.shape == (1, CHANNELS, 32, 48)
    answer, drawn = held(planes)
    assert answer.shape == (1,)
    assert drawn.shape == (1, 1, 8, 12)
    assert torch.isfinite(answer).all()


def test_the_figure_stands_among_the_others_in_every_light():
    item = draw_print(11)
    photos = [photograph(item, seed).pixels for seed in (1, 2, 3, 9)]
    for uv in (False, True):
        *known, query = [violet(photo) for photo in photos] if uv else photos
        consensus = build_consensus(
            [Source(k, str(k), f"specimen {k}", p, PX_PER_MM) for k, p in enumerate(known)]
        )
        told = compare_with(Picture.of(query), consensus, uv=uv)
        assert "trained look" in [figure.name for figure in told.figures]
