"""A ring's holes say how it is turned, whatever its outline says."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely import affinity

from anodewane.geometry.rings import from_shapely, ring_centre
from anodewane.stages.placing.poses import place
from made.exact_views import plate

HOLES = [(30.0 * np.cos(a), 30.0 * np.sin(a), 9.0) for a in np.radians([0.0, 100.0, 215.0])]


@pytest.mark.parametrize("turn_deg", [7, 61, 118, 166, 243, 301, 352])
def test_a_worn_disc_is_laid_hole_on_hole(turn_deg: int) -> None:
    template = plate(shapely.Point(0, 0).buffer(50), thickness_mm=20.0, holes=HOLES)
    # a millimetre gone from the holes, two to three and a half from the rim: its one side says nothing true
    rim = shapely.Point(0.7, 0.3).buffer(47.3)
    grown = [shapely.Point(x, y).buffer(d / 2 + 1) for x, y, d in HOLES]
    worn = affinity.translate(
        affinity.rotate(rim.difference(shapely.union_all(grown)), turn_deg, origin=(0, 0)), 140, -30
    )
    pose = place((from_shapely(worn),), template, 2.7)[0]
    found = np.array([pose.part_from_sheet.apply(ring_centre(r)[None])[0] for r in from_shapely(worn)[1:]])
    apart = np.linalg.norm(found[:, None] - np.array(HOLES)[None, :, :2], axis=2)
    assert apart.min(axis=1).max() < 1.5
    assert sorted(apart.argmin(axis=1).tolist()) == [0, 1, 2]
