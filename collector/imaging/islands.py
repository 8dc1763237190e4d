"""Islands between the cracks: each with its area and extent, gaps of a crack closed, and the frame's cut left out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import find_objects

from collector.imaging.photo import Mask

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Islands:
    """Islands of a picture.

    Attributes
    ----------
    labels : 2-D array of int
        0 where there is none, else the island's number.
    area, width, height : arrays
        Of the whole ones. [pixel]
    whole : array of int
        Numbers of those the edge of the region did not cut.
    """

    labels: npt.NDArray[np.int32]
    area: Array
    width: Array
    height: Array
    whole: npt.NDArray[np.int64]


def find(cracks: Mask, region: Mask, width: float, closing: float) -> Islands:
    """Islands of the region.

    A gap in a crack narrower than twice `closing` parts two islands all the same: their cores, what lies deeper than
    that in the island, are numbered and then grown back.

    Parameters
    ----------
    cracks, region : 2-D arrays of bool
    width : float
        Crack width. [pixel]
    closing : float
        Depth of the cores. [pixel]
    """
    inside = ~cracks & region
    # the region's edge closes nothing: depth is counted from cracks alone
    depth = np.asarray(cv2.distanceTransform((~cracks).astype(np.uint8), cv2.DIST_L2, 5))
    cores = (depth > closing) & region
    pieces = np.asarray(cv2.connectedComponents(inside.astype(np.uint8), connectivity=4)[1])
    numbered = np.asarray(cv2.connectedComponents(cores.astype(np.uint8), connectivity=4)[1])
    # an island thinner than a core is one all the same
    cored = np.unique(pieces[cores])
    lost = inside & ~np.isin(pieces, cored)
    seeds = numbered.copy()
    seeds[lost] = pieces[lost] + numbered.max() + 1
    _, nearest = cv2.distanceTransformWithLabels(
        (seeds == 0).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    owner = np.zeros(int(np.asarray(nearest).max()) + 1, np.int64)
    seeded = seeds > 0
    owner[np.asarray(nearest)[seeded]] = seeds[seeded]
    grown = np.where(inside, owner[np.asarray(nearest)], 0)
    return _measured(grown, cracks, region, width)


def _measured(grown: Any, cracks: Mask, region: Mask, width: float) -> Islands:
    present = np.bincount(grown.ravel()) > 0
    present[0] = False
    number = np.where(present, np.cumsum(present), 0).astype(np.int32)
    labels: npt.NDArray[np.int32] = number[grown]
    count = int(labels.max()) + 1
    area = np.bincount(labels.ravel(), minlength=count).astype(float)
    outside = cv2.dilate((~region).astype(np.uint8), np.ones((3, 3), np.uint8))
    outside[[0, -1], :] = 1
    outside[:, [0, -1]] = 1
    cut = np.zeros(count, bool)
    cut[np.unique(labels[np.asarray(outside) > 0])] = True
    cut[0] = True
    whole = np.flatnonzero(~cut & (area >= 0.5 * width * width))
    boxes = find_objects(labels)
    extent = np.array([[box[1].stop - box[1].start, box[0].stop - box[0].start] for box in boxes if box is not None])
    extent = np.vstack([[0, 0], extent.reshape(-1, 2)]).astype(float)
    return Islands(
        labels=labels,
        area=area[whole],
        width=extent[whole, 0],
        height=extent[whole, 1],
        whole=whole,
    )
