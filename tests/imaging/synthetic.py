"""Photographs of crackle that was never sprayed: patterns of known size, seen by a simulated camera.

Shares nothing with the code under test. The pattern is drawn as geometry on a plane much larger than what the camera
sees; truth is counted there, before light, lens, noise and JPEG.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import cv2
import numpy as np
from scipy.spatial import Voronoi

FINE = 2  # plane raster pixels per photo pixel, each way


@dataclass
class Scene:
    seed: int
    width: int = 1600
    height: int = 1200
    field_mm: float = 150.0  # width of the panel that the photo shows
    spacing_mm: float = 6.0  # root of the mean cell area
    crack_share: float = 0.10  # crack width over spacing
    width_cv: float = 0.2
    pattern: str = "voronoi"  # voronoi, relaxed1, relaxed3, split
    stretch: float = 1.0
    missing: float = 0.0
    dead_ends: float = 0.0
    wobble: float = 0.03
    island_rgb: tuple[float, float, float] = (0.75, 0.72, 0.65)  # linear light
    crack_rgb: tuple[float, float, float] = (0.04, 0.04, 0.05)
    tilt_deg: float = 0.0
    turn_deg: float = 0.0
    roll_deg: float = 0.0
    distortion: float = 0.0
    light: float = 1.0  # brightest over darkest
    vignette: float = 0.0
    glare: int = 0
    mottle: float = 0.03
    relief: float = 0.0
    blur_px: float = 0.7
    noise: float = 0.01
    jpeg: int = 90
    marker_mm: float | None = 30.0
    size_gradient: float = 1.0  # size at the right end over size at the left


@dataclass
class Truth:
    mean_intercept_mm: float  # of what the photo shows
    panel_intercept_mm: float  # of the whole panel
    crack_area_fraction: float
    crack_width_mm: float  # mean of the widths drawn, by length
    ecd_mm: dict[str, float]
    islands: int
    anisotropy: float
    crack_px: float
    extra: dict = field(default_factory=dict)


def photograph(scene: Scene) -> tuple[bytes, Truth]:
    """JPEG bytes and what is true of them."""
    rng = np.random.default_rng(scene.seed)
    fine_mm = scene.field_mm / scene.width / FINE
    side = _panel_side(scene)
    n = round(side / fine_mm)
    edges = _edges(scene, side, rng)
    cracks, mean_width = _draw(scene, edges, n, fine_mm, rng)

    to_photo, marker_mm_square = _camera(scene, side)
    footprint = np.zeros((n, n), np.uint8)
    corners = np.array([[0, 0], [scene.width, 0], [scene.width, scene.height], [0, scene.height]], float)
    seen = cv2.perspectiveTransform(corners[None], np.linalg.inv(to_photo))[0] / fine_mm
    cv2.fillConvexPoly(footprint, np.round(seen).astype(np.int32), 1)
    truth = _truth(scene, cracks, footprint.astype(bool), fine_mm, mean_width)
    photo = _expose(scene, cracks, fine_mm, to_photo, marker_mm_square, rng)
    done, data = cv2.imencode(".jpg", photo, [cv2.IMWRITE_JPEG_QUALITY, scene.jpeg])
    assert done
    return data.tobytes(), truth


def random_scene(seed: int, width: int = 1600) -> Scene:
    """A scene as a shop might photograph it."""
    rng = np.random.default_rng(10_000 + seed)
    field_mm = rng.uniform(110, 240)
    px = field_mm / width
    # cracks of 5 px and more, at least forty islands
    spacing = float(np.exp(rng.uniform(np.log(4.0), np.log(15.0))))
    spacing = min(spacing, field_mm * 0.75**0.5 / 8.0)
    share = max(rng.uniform(0.05, 0.20), 5.0 * px / spacing)
    if share > 0.22:
        spacing, share = 5.0 * px / 0.15, 0.15
    island, crack = _colours(rng)
    return Scene(
        seed=seed,
        width=width,
        height=width * 3 // 4,
        field_mm=field_mm,
        spacing_mm=spacing,
        crack_share=share,
        width_cv=rng.uniform(0.1, 0.4),
        pattern=str(rng.choice(["voronoi", "voronoi", "relaxed1", "relaxed3", "split"])),
        missing=rng.uniform(0, 0.08),
        dead_ends=rng.uniform(0, 0.08),
        wobble=rng.uniform(0.0, 0.05),
        island_rgb=island,
        crack_rgb=crack,
        tilt_deg=rng.uniform(0, 25),
        turn_deg=rng.uniform(0, 360),
        roll_deg=rng.uniform(-8, 8),
        distortion=rng.uniform(-0.008, 0.008),
        light=rng.uniform(1.0, 2.4),
        vignette=rng.uniform(0, 0.25),
        glare=int(rng.integers(0, 4)),
        mottle=rng.uniform(0.01, 0.06),
        relief=float(rng.choice([0.0, rng.uniform(0.02, 0.12)])),
        blur_px=rng.uniform(0.6, 1.8),
        noise=rng.uniform(0.003, 0.015),
        jpeg=int(rng.integers(60, 95)),
        marker_mm=float(rng.choice([20, 30, 40])),
    )


def _colours(rng):
    """Two paints, in linear light: strong contrast either way round, weak contrast, or colour alone."""
    kind = rng.choice(["dark", "light", "weak", "colour"], p=[0.38, 0.32, 0.2, 0.1])
    hue = rng.uniform(0.55, 1.0, 3)
    if kind == "dark":
        return tuple(hue * rng.uniform(0.4, 0.8)), tuple(rng.uniform(0.02, 0.12, 3))
    if kind == "light":
        return tuple(rng.uniform(0.02, 0.12, 3)), tuple(hue * rng.uniform(0.4, 0.8))
    base = hue * rng.uniform(0.15, 0.6)
    if kind == "weak":
        factor = rng.uniform(1.35, 1.6)
        return tuple(base), tuple(base * (factor if rng.random() < 0.5 else 1 / factor) * rng.uniform(0.95, 1.05, 3))
    other = base[[2, 0, 1]] * np.array([0.6, 1.0, 1.3])
    weights = np.array([0.2126, 0.7152, 0.0722])
    base = base * np.array([1.4, 1.0, 0.7])
    other = other * (base @ weights) / (other @ weights) * rng.uniform(0.85, 1.15)
    return tuple(np.clip(base, 0.02, 0.9)), tuple(np.clip(other, 0.02, 0.9))


def _panel_side(scene):
    return scene.field_mm * 1.75


def _edges(scene, side, rng):
    """Crack centre lines as an array of segments (x0, y0, x1, y1) in mm on the panel."""
    if scene.pattern == "split":
        edges = _split(side, scene.spacing_mm, rng)
    else:
        count = int((side / scene.spacing_mm) ** 2)
        points = rng.uniform(0, side, (count, 2))
        for _ in range({"voronoi": 0, "relaxed1": 1, "relaxed3": 3}[scene.pattern]):
            points = _relaxed(points, side)
        edges = _voronoi(points, side)
    if scene.size_gradient != 1.0:  # widen the cells towards the right, as x -> warped x
        g = np.log(scene.size_gradient)

        def warp(x):
            return side * np.expm1(g * x / side) / np.expm1(g)

        edges = np.column_stack([warp(edges[:, 0]), edges[:, 1], warp(edges[:, 2]), edges[:, 3]])
    edges[:, [0, 2]] *= scene.stretch
    keep = rng.random(len(edges)) >= scene.missing
    edges = edges[keep]
    short = rng.random(len(edges)) < scene.dead_ends
    part = rng.uniform(0.3, 0.8, len(edges))[:, None]
    stub = np.hstack([edges[:, :2], edges[:, :2] + part * (edges[:, 2:] - edges[:, :2])])
    return np.where(short[:, None], stub, edges)


def _mirrored(points, side):
    x, y = points.T
    return np.vstack([points, np.c_[-x, y], np.c_[2 * side - x, y], np.c_[x, -y], np.c_[x, 2 * side - y]])


def _relaxed(points, side):
    diagram = Voronoi(_mirrored(points, side))
    moved = np.empty_like(points)
    for i in range(len(points)):
        ring = diagram.vertices[diagram.regions[diagram.point_region[i]]]
        x, y = ring.T
        x1, y1 = np.roll(x, -1), np.roll(y, -1)
        cross = x * y1 - x1 * y
        moved[i] = [((x + x1) * cross).sum(), ((y + y1) * cross).sum()] / (3 * cross.sum())
    return moved


def _voronoi(points, side):
    diagram = Voronoi(_mirrored(points, side))
    pairs = np.array([r for r in diagram.ridge_vertices if -1 not in r])
    ends = diagram.vertices[pairs]
    middle = ends.mean(axis=1)
    inside = np.all((middle > -1e-6) & (middle < side + 1e-6), axis=1)
    return ends[inside].reshape(-1, 4)


def _split(side, spacing, rng):
    """Cells cut in two, again and again, each cut across the long way: later cracks end on earlier ones."""
    edges = []
    waiting = [np.array([[0, 0], [side, 0], [side, side], [0, side]], float)]
    while waiting:
        ring = waiting.pop()
        x, y = ring.T
        area = 0.5 * abs((x * np.roll(y, -1) - np.roll(x, -1) * y).sum())
        if area < spacing**2 * rng.uniform(0.9, 2.2):
            continue
        centre = ring.mean(axis=0) + rng.normal(0, 0.08 * np.sqrt(area), 2)
        cov = np.cov((ring - ring.mean(axis=0)).T)
        long = np.linalg.eigh(cov)[1][:, 1]
        turn = rng.normal(0, 0.2)
        normal = np.array(
            [long[0] * np.cos(turn) - long[1] * np.sin(turn), long[0] * np.sin(turn) + long[1] * np.cos(turn)]
        )
        height = (ring - centre) @ normal
        left, right, cut = [], [], []
        for i in range(len(ring)):
            j = (i + 1) % len(ring)
            (left if height[i] >= 0 else right).append(ring[i])
            if (height[i] >= 0) != (height[j] >= 0):
                point = ring[i] + (ring[j] - ring[i]) * height[i] / (height[i] - height[j])
                left.append(point)
                right.append(point)
                cut.append(point)
        if len(cut) != 2:
            continue
        edges.append(np.concatenate(cut))
        waiting += [np.array(left), np.array(right)]
    return np.array(edges)


def _draw(scene, edges, n, fine_mm, rng):
    """Crack mask of the panel (1 is crack), and the mean of the widths drawn."""
    mask = np.zeros((n, n), np.uint8)
    mean = scene.crack_share * scene.spacing_mm
    sigma = np.sqrt(np.log1p(scene.width_cv**2))
    widths = mean * np.exp(rng.normal(-0.5 * sigma**2, sigma, len(edges)))
    lengths = np.hypot(edges[:, 2] - edges[:, 0], edges[:, 3] - edges[:, 1])
    step_mm = scene.spacing_mm / 5.0
    for (x0, y0, x1, y1), width, length in zip(edges, widths, lengths, strict=True):
        pieces = max(int(length / step_mm), 1)
        t = np.linspace(0, 1, pieces + 1)
        line = np.c_[x0 + t * (x1 - x0), y0 + t * (y1 - y0)]
        if pieces > 1 and scene.wobble:
            across = np.array([y0 - y1, x1 - x0]) / length
            line[1:-1] += across * rng.normal(0, scene.wobble * scene.spacing_mm, (pieces - 1, 1))
        half = width / 2.0 / fine_mm
        line /= fine_mm
        for a, b in pairwise(line):
            along = (b - a) / max(np.hypot(*(b - a)), 1e-9)
            side = np.array([-along[1], along[0]]) * half
            quad = np.array([a + side, b + side, b - side, a - side])
            cv2.fillConvexPoly(mask, np.round(quad * 16).astype(np.int32), 1, shift=4)
        for point in line:
            cv2.circle(mask, tuple(int(v) for v in np.round(point * 16)), round(half * 16), 1, -1, shift=4)
    # filled shapes are drawn half a raster pixel out on each side
    return mask, float((widths * lengths).sum() / lengths.sum()) + fine_mm


def _camera(scene, side):
    """Homography from panel millimetres to photo pixels; the panel's middle is in the photo's middle."""
    focal = 0.75 * scene.width
    distance = focal * scene.field_mm / scene.width
    tilt, turn, roll = np.radians([scene.tilt_deg, scene.turn_deg, scene.roll_deg])
    axis = np.array([np.cos(turn), np.sin(turn), 0.0])
    rotation = cv2.Rodrigues(axis * tilt)[0] @ cv2.Rodrigues(np.array([0, 0, roll]))[0]
    camera = np.array([[focal, 0, scene.width / 2], [0, focal, scene.height / 2], [0, 0, 1.0]])
    middle = np.array([side * scene.stretch / 2 if scene.stretch < 1 else side / 2, side / 2])
    flat = np.column_stack([rotation[:, 0], rotation[:, 1], rotation @ [-middle[0], -middle[1], 0] + [0, 0, distance]])
    to_photo = camera @ flat
    if scene.marker_mm is None:
        return to_photo, None
    offset = np.array([-0.30 * scene.field_mm, -0.16 * scene.field_mm])
    return to_photo, middle + offset - scene.marker_mm / 2


def _truth(scene, cracks, seen, fine_mm, mean_width):
    edge = int(0.02 * len(seen))
    whole = cracks[edge:-edge, edge : int(len(seen) * min(scene.stretch, 1.0)) - edge] > 0
    rows, columns = np.flatnonzero(seen.any(axis=1)), np.flatnonzero(seen.any(axis=0))
    box = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    mask, seen = cracks[box] > 0, seen[box]
    rates, _, weights = _entered_per_mm(mask, seen, fine_mm)
    rates_panel, _, _ = _entered_per_mm(whole, None, fine_mm)
    count, labels, stats, _ = cv2.connectedComponentsWithStats((~mask & seen).astype(np.uint8), connectivity=4)
    rim = cv2.dilate(np.pad((~seen).astype(np.uint8), 1, constant_values=1), np.ones((3, 3)))[1:-1, 1:-1]
    edge_labels = np.unique(labels[rim > 0])
    ys, xs = np.nonzero(seen)
    wide, high = np.ptp(xs) + 1, np.ptp(ys) + 1
    keep = np.setdiff1d(np.arange(1, count), edge_labels)
    keep = keep[stats[keep, cv2.CC_STAT_AREA] > 0.004 * (scene.spacing_mm / fine_mm) ** 2]
    area = stats[keep, cv2.CC_STAT_AREA]
    miles = 1 / (
        (wide - stats[keep, cv2.CC_STAT_WIDTH]).clip(wide * 0.02)
        * (high - stats[keep, cv2.CC_STAT_HEIGHT]).clip(high * 0.02)
    )
    ecd = np.sqrt(4 * area / np.pi) * fine_mm
    order = np.argsort(ecd)
    level = (np.cumsum(miles[order]) - miles[order] / 2) / miles.sum()
    quantiles = np.interp([0.1, 0.5, 0.9], level, ecd[order])
    axis = rates[[0, 2, 4, 6]]
    return Truth(
        mean_intercept_mm=1 / float(weights @ rates),
        panel_intercept_mm=1 / float(weights @ rates_panel),
        crack_area_fraction=float(mask[seen].mean()),
        crack_width_mm=mean_width,
        ecd_mm=dict(zip(("p10", "p50", "p90"), map(float, quantiles), strict=True)),
        islands=len(keep),
        anisotropy=float(max(axis) / min(axis)),
        crack_px=mean_width / fine_mm / FINE,
    )


def _entered_per_mm(mask, region, fine_mm):
    """How often a line enters a crack, in eight directions; their angles, and the angle each stands for."""
    rates, angles = [], []
    for dx, dy in ((1, 0), (2, 1), (1, 1), (1, 2), (0, 1), (-1, 2), (-1, 1), (-2, 1)):
        here = np.s_[: len(mask) - dy, max(-dx, 0) : mask.shape[1] - max(dx, 0)]
        there = np.s_[dy:, max(dx, 0) : mask.shape[1] - max(-dx, 0)]
        entered = mask[there] & ~mask[here]
        samples = entered.size
        if region is not None:
            both = region[here] & region[there]
            entered &= both
            samples = np.count_nonzero(both)
        rates.append(np.count_nonzero(entered) / (samples * np.hypot(dx, dy) * fine_mm))
        angles.append(np.degrees(np.arctan2(dy, dx)) % 180)
    rates, angles = np.array(rates), np.array(angles)
    gaps = np.diff(np.append(angles, angles[0] + 180))
    return rates, angles, (gaps + np.roll(gaps, 1)) / 360


def _expose(scene, cracks, fine_mm, to_photo, marker_at, rng):
    height, width = scene.height, scene.width
    to_fine = to_photo @ np.diag([fine_mm, fine_mm, 1.0])
    # the half-pixel between a raster's index and its place
    to_fine = _shift(-0.5) @ to_fine @ _shift(0.5)
    ground = cv2.GaussianBlur(cracks.astype(np.float32), (0, 0), 0.5 * FINE)
    share = _warp(ground, to_fine, scene)
    image = np.array(scene.island_rgb, np.float32) * (1 - share[..., None])
    image += np.array(scene.crack_rgb, np.float32) * share[..., None]
    speckle = rng.normal(0, 1, (height // 40 + 2, width // 40 + 2)).astype(np.float32)
    image *= (1 + scene.mottle * cv2.resize(speckle, (width, height), interpolation=cv2.INTER_CUBIC))[..., None]
    if scene.relief:
        slope = cv2.GaussianBlur(share, (0, 0), 1.5)
        slope = slope - np.roll(slope, (2, 2), (0, 1))
        image *= (1 + scene.relief * 4 * slope)[..., None]
    if marker_at is not None:
        image = _stick_marker(image, scene, to_photo, marker_at)
    y, x = np.mgrid[:height, :width].astype(np.float32)
    angle = rng.uniform(0, 2 * np.pi)
    ramp = (x / width - 0.5) * np.cos(angle) + (y / height - 0.5) * np.sin(angle)
    ramp = (ramp - ramp.min()) / np.ptp(ramp)
    light = np.exp(np.log(scene.light) * (ramp - 0.5))
    radius2 = ((x / width - 0.5) ** 2 + (y / width - 0.5) ** 2) / 0.39
    image *= (light * (1 - scene.vignette * radius2))[..., None]
    for _ in range(scene.glare):
        cx, cy = rng.uniform(0.35, 0.95) * width, rng.uniform(0.1, 0.95) * height
        sx, sy = rng.uniform(0.015, 0.05, 2) * width
        blob = np.exp(-0.5 * (((x - cx) / sx) ** 2 + ((y - cy) / sy) ** 2)) * rng.uniform(0.6, 2.5)
        image += blob[..., None]
    exposure = 0.85 / max(np.percentile(image, 90), 0.3)
    image *= exposure
    image = cv2.GaussianBlur(image, (0, 0), scene.blur_px)
    image += rng.normal(0, 1, image.shape).astype(np.float32) * scene.noise * np.sqrt(np.clip(image, 0.02, 1))
    image = np.clip(image, 0, 1)
    srgb = np.where(image <= 0.0031308, 12.92 * image, 1.055 * image ** (1 / 2.4) - 0.055)
    return np.round(srgb[..., ::-1] * 255).astype(np.uint8)


def _shift(by):
    return np.array([[1, 0, by], [0, 1, by], [0, 0, 1.0]])


def _warp(picture, homography, scene):
    """Where each photo pixel looks on the panel, through a lens that bends lines a little."""
    height, width = scene.height, scene.width
    y, x = np.mgrid[:height, :width].astype(np.float32)
    dx, dy = (x - width / 2) / (width / 2), (y - height / 2) / (width / 2)
    bend = 1 + scene.distortion * (dx * dx + dy * dy)
    x, y = width / 2 + dx * bend * width / 2, height / 2 + dy * bend * width / 2
    inverse = np.linalg.inv(homography).astype(np.float32)
    w = inverse[2, 0] * x + inverse[2, 1] * y + inverse[2, 2]
    u = (inverse[0, 0] * x + inverse[0, 1] * y + inverse[0, 2]) / w
    v = (inverse[1, 0] * x + inverse[1, 1] * y + inverse[1, 2]) / w
    return cv2.remap(picture, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def _stick_marker(image, scene, to_photo, at):
    """A white card with the square in its middle, lying on the panel."""
    px_mm = 16.0
    side = round(scene.marker_mm * px_mm)
    margin = round(0.25 * side)
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_100)
    card = np.full((side + 2 * margin,) * 2, 0.85, np.float32)
    card[margin:-margin, margin:-margin] = np.where(
        cv2.aruco.generateImageMarker(family, round(scene.marker_mm), side) > 127, 0.85, 0.03
    )
    place = np.array([[1 / px_mm, 0, at[0] - margin / px_mm], [0, 1 / px_mm, at[1] - margin / px_mm], [0, 0, 1]])
    to_pixels = _shift(-0.5) @ to_photo @ place @ _shift(0.5)
    soft = cv2.GaussianBlur(card, (0, 0), px_mm * scene.field_mm / scene.width * 0.4)
    seen = _warp(cv2.copyMakeBorder(soft, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=-1), to_pixels @ _shift(-1), scene)
    return np.where(seen[..., None] >= 0, seen[..., None], image)
