"""Pictures laid on scans: by control points, and by the edges that both show."""

import numpy as np
import pytest
from hidden_scenes import colours, figure, paints, scan_of
from scipy.ndimage import map_coordinates

from xrfmap.errors import InputError
from xrfmap.pictures.align import align
from xrfmap.pictures.register import field_of, picture_on_grid, place

SHAPE = (70, 90)
PX_PER_MM = 4.0


def scene(seed):
    """Maps at 1 mm, and a fine picture of the same paints with a margin of cloth around it."""
    shares = paints(SHAPE, seed, size=5)
    maps = scan_of(shares, 60, seed, hidden=figure(SHAPE))
    return maps, colours(shares, seed, grain=0.0)


def photographed(picture, matrix, size):
    """The picture through a camera: `matrix` takes (x mm, y mm, 1) to (column, row)."""
    columns, rows = size
    across, down = np.meshgrid(np.arange(columns) + 0.5, np.arange(rows) + 0.5)
    shifted = np.stack([across - matrix[0, 2], down - matrix[1, 2]])
    x, y = np.einsum("ij,jrc->irc", np.linalg.inv(matrix[:, :2]), shifted)
    on = (x > 0) & (x < picture.shape[1]) & (y > 0) & (y < picture.shape[0])
    bands = [map_coordinates(picture[..., c], [y - 0.5, x - 0.5], order=1) for c in range(3)]
    seen = np.where(on[..., None], np.stack(bands, axis=-1), 0.4)
    noise = np.random.default_rng(9).normal(0, 0.02, seen.shape)
    return np.asarray(np.clip((seen + noise) * 255, 0, 255), dtype=np.uint8)


def camera(turn_deg, zoom, shift):
    turn = np.radians(turn_deg)
    cos, sin = zoom * PX_PER_MM * np.cos(turn), zoom * PX_PER_MM * np.sin(turn)
    return np.array([[cos, -sin, shift[0]], [sin, cos, shift[1]]])


def true_error(placement, matrix, maps):
    """Root mean square distance on the object between where points are said to lie and do."""
    x, y = np.meshgrid(maps["x"].values, maps["y"].values)
    places = np.column_stack([x.ravel(), y.ravel()])
    said, true = (places @ m[:, :2].T + m[:, 2] for m in (placement.matrix, matrix))
    miss = np.linalg.solve(matrix[:, :2], (said - true).T).T
    return float(np.sqrt(np.mean(np.sum(miss**2, axis=1))))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("seed", "turn", "zoom", "shift"),
    [
        (1, 0.0, 1.0, (20, 16)),  # shifted
        (2, 4.0, 1.0, (60, 10)),  # turned
        (3, -2.0, 0.8, (45, 60)),  # smaller, in a wide margin of cloth
        (4, 90.0, 0.9, (320, 20)),  # on its side
    ],
)
def test_stated_error_covers_the_true_one(seed, turn, zoom, shift):
    maps, picture = scene(seed)
    matrix = camera(turn, zoom, shift)
    found = align(photographed(picture, matrix, (440, 400)), maps)
    assert found.method == "automatic"
    assert found.error is not None
    assert true_error(found, matrix, maps) < found.error
    assert found.error < 1.0  # a point of the scan; the edges are two points wide
    assert "(root mean squares)" in found.words


@pytest.mark.slow
@pytest.mark.parametrize("other", ["another picture", "noise", "mirror image"])
def test_a_picture_of_something_else_is_refused(other):
    maps, picture = scene(1)
    if other == "another picture":
        picture = colours(paints(SHAPE, 77, size=5), 77)
    if other == "noise":
        picture = np.random.default_rng(0).random(picture.shape)
    if other == "mirror image":
        picture = picture[:, ::-1]
    with pytest.raises(InputError, match="alignment: found no placement that matches better"):
        align(photographed(picture, camera(0, 1, (20, 16)), (400, 320)), maps, name="x.png")


def test_too_small_a_scan_is_not_aligned():
    maps = scan_of(paints((20, 20), 1), 50, 1)
    with pytest.raises(InputError, match="too few to compare edges"):
        align(np.zeros((40, 40, 3), np.uint8), maps)


def test_flat_maps_are_not_aligned():
    shares = np.zeros((4, 40, 40))
    shares[0] = 1
    with pytest.raises(InputError, match="without edges above their noise"):
        align(np.zeros((40, 40, 3), np.uint8), scan_of(shares, 50, 1))


def test_left_out_points_tell_the_error_of_control_points():
    """Leave-one-out done by hand, against the closed form with leverages."""
    rng = np.random.default_rng(4)
    maps, _ = scene(1)
    places = rng.uniform(0, 70, (7, 2))
    pixels = places * 4 + rng.normal(0, 2, (7, 2))
    points = [(*p, *q) for p, q in zip(pixels, places, strict=True)]
    found = place(points, (400, 300), field_of(maps))
    missed = []
    for k in range(7):
        rest = place([p for i, p in enumerate(points) if i != k], (400, 300), field_of(maps))
        said = places[k] @ rest.matrix[:, :2].T + rest.matrix[:, 2]
        # the whole fit takes pixels back to millimetres; the scales differ by a few per cent
        missed.append(np.linalg.solve(found.matrix[:, :2], said - pixels[k]))
    by_hand = np.sqrt(np.mean(np.sum(np.square(missed), axis=1)))
    assert found.error == pytest.approx(by_hand, rel=1e-6)


def test_three_points_state_no_error():
    maps, _ = scene(1)
    found = place([(0, 0, 0, 0), (9, 0, 3, 0), (0, 9, 0, 3)], (90, 70), field_of(maps))
    assert found.error is None
    assert "without a check" in found.words


def test_a_picture_comes_onto_the_grid_with_its_mean_colours():
    maps, picture = scene(1)
    matrix = camera(0, 1, (0, 0))
    fine = np.kron(picture, np.ones((4, 4, 1)))
    x, y = maps["x"].values, maps["y"].values
    corners = [(0, 0, 0, 0), (360, 0, 90, 0), (0, 280, 0, 70)]
    drawn = picture_on_grid(fine, place(corners, (360, 280), field_of(maps)), x, y)
    assert matrix[0, 0] == 4
    # inside a patch of one colour the mean is that colour; edges are softened by one point
    assert np.median(np.abs(drawn - picture)) < 0.01
    half = picture_on_grid(fine[:, :180], place(corners, (360, 280), field_of(maps)), x, y)
    assert np.isnan(half[:, 46:]).all()
    assert np.isfinite(half[:, :44]).all()


def test_eight_and_sixteen_bits_give_the_same_picture():
    maps, picture = scene(1)
    where = place([(0, 0, 0, 0), (90, 0, 90, 0), (0, 70, 0, 70)], (90, 70), field_of(maps))
    x, y = maps["x"].values, maps["y"].values
    eight = picture_on_grid(np.round(picture[..., 0] * 255).astype(np.uint8), where, x, y)
    deep = picture_on_grid(np.round(picture[..., 0] * 65535).astype(np.uint16), where, x, y)
    assert np.allclose(eight, deep, atol=1 / 255)
