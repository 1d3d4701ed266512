"""Two looks: which part is chosen, when a photo is refused, and what the network makes of flat pictures
that are drawn here exactly."""

from __future__ import annotations

import pickle

import cv2
import numpy as np
import pytest

from anodewane.errors import CannotJudge, UsageError
from anodewane.records import FlatImage, SoftMask
from anodewane.stages.segment import (
    CHANNEL_STEP,
    ClassicalSegmenter,
    candidates,
    choose_candidate,
    get_segmenter,
    network_input,
)

S = 1.5
N = 300


def flat_of(sheet_box=(180, 100, 290, 200), rgb=None, valid=None, s=S):
    sheet = np.zeros((N, N), np.float32)
    x0, y0, x1, y1 = sheet_box
    sheet[y0:y1, x0:x1] = 1
    print_ = np.where(sheet > 0, 1.0, 0.5).astype(np.float32)
    if rgb is None:
        rgb = np.full((N, N, 3), 90, np.uint8)
        rgb[sheet > 0] = 230
    return FlatImage(
        rgb, np.ones((N, N), bool) if valid is None else valid, s, np.array([0.0, 0.0]), sheet, print_
    )


def soft_of(*boxes, p=0.95):
    prob = np.full((N, N), 0.02, np.float32)
    for x0, y0, x1, y1 in boxes:
        prob[y0:y1, x0:x1] = p
    return SoftMask(prob, S, np.array([0.0, 0.0]), "test", None)


NEAR, FAR, SPECK = (120, 110, 160, 170), (10, 10, 50, 70), (170, 120, 173, 124)


def test_beside_a_card_the_nearest_is_the_part():
    best = choose_candidate(flat_of(), soft_of(NEAR, FAR), mat=False)
    assert best.distance_mm == pytest.approx(21 * S, abs=S) and best.area_mm2 == pytest.approx(
        40 * 60 * S * S, rel=0.1
    )


def test_a_speck_nearer_the_sheet_is_not_a_rival():
    assert choose_candidate(flat_of(), soft_of(NEAR, SPECK), mat=False).area_mm2 > 4000


def test_two_alike_at_the_same_distance_are_refused():
    twins = soft_of((130, 20, 160, 60), (180, 30, 220, 60))
    with pytest.raises(CannotJudge) as e:
        choose_candidate(flat_of(), twins, mat=False)
    assert e.value.code == "several_parts" and "cm2" in e.value.detail


def test_on_a_mat_what_lies_on_it_is_the_part():
    flat = flat_of((100, 60, 290, 250))
    best = choose_candidate(flat, soft_of((150, 120, 190, 160), (20, 20, 90, 90)), mat=True)
    assert best.on_sheet_frac == 1.0
    with pytest.raises(CannotJudge, match="no_part"):
        choose_candidate(flat, soft_of((20, 20, 60, 60)), mat=True)


def test_no_metal_is_no_part():
    with pytest.raises(CannotJudge, match="no_part"):
        choose_candidate(flat_of(), soft_of(), mat=False)


def test_metal_at_the_photos_edge_is_cut_off():
    valid = np.ones((N, N), bool)
    valid[:, :120] = False
    with pytest.raises(CannotJudge, match="part_cut_off"):
        choose_candidate(flat_of(valid=valid), soft_of(NEAR), mat=False)


def test_pieces_close_together_are_one_part_and_farther_ones_are_not():
    together = soft_of((100, 100, 120, 140), (124, 100, 144, 140))  # 6 mm apart
    apart = soft_of((60, 100, 80, 140), (124, 100, 144, 140))  # 66 mm apart
    assert len(candidates(flat_of(), together)) == 1 and len(candidates(flat_of(), apart)) == 2


def test_the_networks_input_is_laid_out_as_the_lock_says():
    valid = np.ones((N, N), bool)
    valid[:10] = False
    x = network_input(flat_of(valid=valid, s=0.6))
    assert x.shape == (6, N, N) and x.dtype == np.float32
    assert np.all(x[:3, :10] == 0) and np.all(np.abs(x[:5]) <= 0.5)
    assert np.all(x[5] == 0)  # 0.6 mm a pixel is the scale's middle
    assert network_input(flat_of(s=1.2))[5, 0, 0] == pytest.approx(0.25)


def drawn_scene(seed=0):
    """A grey disc with a hole on brown ground beside white paper, noise on all of it."""
    rng = np.random.default_rng(seed)
    rgb = np.full((N, N, 3), (120, 85, 55), np.float32)
    rgb[100:200, 180:290] = 225
    truth = np.zeros((N, N), np.uint8)
    cv2.circle(truth, (95, 150), 50, 255, -1, cv2.LINE_AA)
    cv2.circle(truth, (95, 150), 12, 0, -1, cv2.LINE_AA)
    shadow = cv2.GaussianBlur(np.roll(truth, 4, axis=0).astype(np.float32) / 255, (0, 0), 2)[..., None]
    rgb = rgb * (1 - 0.5 * shadow)
    m = truth[..., None] / 255
    mottle = cv2.GaussianBlur(rng.normal(0, 60, (N, N)), (0, 0), 3)[..., None]
    rgb = rgb * (1 - m) + m * (150 + mottle) + rng.normal(0, 3, (N, N, 3))
    return flat_of(rgb=np.clip(rgb, 0, 255).astype(np.uint8), s=1.0), truth


@pytest.mark.parametrize("name", ["network", "classical"])
def test_a_plain_disc_is_seen_with_its_hole_open_and_paper_is_never_metal(name):
    flat, truth = drawn_scene()
    soft = get_segmenter(name)(flat)
    metal = soft.metal_prob > 0.5
    both, either = (metal & (truth > 127)).sum(), (metal | (truth > 127)).sum()
    assert both / either > 0.9
    assert not metal[150, 95] and not metal[flat.sheet > 0].any()
    assert soft.segmenter == name and (soft.model_sha256 is None) == (name == "classical")


def test_the_network_does_not_mind_the_pictures_size():
    flat, _ = drawn_scene()
    cut = N - CHANNEL_STEP // 2 - 3  # not a multiple of the network's step
    part = FlatImage(
        flat.rgb[:cut, :cut],
        flat.valid[:cut, :cut],
        flat.mm_per_px,
        flat.origin_mm,
        flat.sheet[:cut, :cut],
        flat.print_[:cut, :cut],
    )
    network = get_segmenter("network")
    whole, small = network(flat).metal_prob[:cut, :cut] > 0.5, network(part).metal_prob > 0.5
    assert small.shape == (cut, cut) and (whole == small).mean() > 0.98


def test_outside_the_photo_nothing_is_metal():
    flat, _ = drawn_scene()
    valid = np.ones((N, N), bool)
    valid[:, :100] = False
    seen = FlatImage(flat.rgb, valid, 1.0, flat.origin_mm, flat.sheet, flat.print_)
    for name in ("network", "classical"):
        assert not get_segmenter(name)(seen).metal_prob[:, :100].any()


def test_segmenters_survive_pickling_without_their_session():
    again = pickle.loads(pickle.dumps(get_segmenter("network")))
    assert again.model_sha256 == get_segmenter("network").model_sha256 and len(pickle.dumps(again)) < 2000


def test_an_unknown_name_is_said():
    with pytest.raises(UsageError, match="no segmenter 'best'"):
        get_segmenter("best")
    assert get_segmenter("classical").__class__ is ClassicalSegmenter
