"""Results written from a session's truth, with or without a known flaw, to try the figures on."""

import json

import numpy as np
from astropy.io import fits
from diskmosaic.figures.light import ring_median
from diskmosaic.synthetic import read_truth
from diskmosaic.synthetic.plan import rotation
from scipy import ndimage

BLUR_PX = 1.1
BORDER = (9.25, -4.5)  # the disk's origin lies here on the Sun's image: no whole pixels


def write_result(out, truth, *, turn_deg=0.0, moved=None, image=None, flat=None, frames=None, **limb):
    """Write what a run without error would: the true Sun, blurred, with every tile where it was.

    `moved` maps a tile's index to an error (y, x) of its matrix *and* its pixels; `image(natural, tile,
    to_disk)` may spoil the light.
    """
    truth = read_truth(truth)
    shape = (truth.sun.image.shape[0] - 3, truth.sun.image.shape[1] + 4)
    turn, moved = rotation(turn_deg), moved or {}
    middle = np.array(truth.sun.centre_yx)
    to_disk = []
    centre = (np.array(truth.plan.tile_shape) - 1) / 2
    for k, tile in enumerate(truth.tiles):
        shift = tile.shifts.mean(0)
        if frames is not None:
            shift = np.average(tile.shifts[frames["frame"]], axis=0, weights=frames["weight"])
        sensor = rotation(truth.plan.camera_angle_deg)
        place = np.array(tile.position_yx) + sensor @ shift
        origin = turn @ (place - middle) + middle - BORDER - turn @ sensor @ centre + moved.get(k, 0)
        to_disk.append(np.column_stack([turn @ sensor, origin]))
    y, x = np.mgrid[: shape[0], : shape[1]].astype(float)
    points = np.stack([y, x])
    inside = [_inside(matrix, points, truth.plan.tile_shape) for matrix in to_disk]
    tile = np.argmax(inside, 0).astype(np.int16)
    tile[np.max(inside, 0) <= 0] = -1
    error = np.zeros((2, *shape))
    for k, by in moved.items():
        error[:, tile == k] = np.array(by)[:, None]
    back = np.linalg.inv(turn)
    sun_points = np.tensordot(back, points - error + np.array(BORDER)[:, None, None] - middle[:, None, None], 1)
    blurred = ndimage.gaussian_filter(truth.sun.image, BLUR_PX)
    natural = ndimage.map_coordinates(blurred, sun_points + middle[:, None, None], order=3, mode="nearest")
    radius = np.hypot(*sun_points) / truth.sun.radius_px
    profile = ring_median(natural, radius, radius < 1)
    uniform = natural / np.interp(radius, *profile)
    if image is not None:
        spoilt = image(natural, tile, to_disk)
        natural, uniform = spoilt, uniform * spoilt / natural
    natural = np.where(tile >= 0, natural, np.nan)
    hdus = [fits.PrimaryHDU(natural.astype(np.float32))]
    weight = (tile >= 0).astype(np.float32)
    for name, data in (("UNIFORM", uniform.astype(np.float32)), ("WEIGHT", weight), ("TILE", tile)):
        hdus.append(fits.ImageHDU(data, name=name))
    (out / "tiles").mkdir(parents=True)
    fits.HDUList(hdus).writeto(out / "disk.fits")
    limb_centre = middle - BORDER + np.array(limb.get("centre_error", (0, 0)))
    assembly = {
        "tiles": [
            {
                "recording": t.recording,
                "to_disk": matrix.tolist(),
                "angle_deg": turn_deg + truth.plan.camera_angle_deg,
                "mirrored": False,
            }
            for t, matrix in zip(truth.tiles, to_disk, strict=True)
        ],
        "limb": {
            "centre_yx": limb_centre.tolist(),
            "radius_px": truth.sun.radius_px + limb.get("radius_error", 0),
        },
    }
    (out / "assembly.json").write_text(json.dumps(assembly))
    if frames is not None:
        for t in truth.tiles:
            table = fits.BinTableHDU(frames, name="FRAMES")
            hdus = [fits.PrimaryHDU(np.zeros((2, 2), np.float32)), table]
            fits.HDUList(hdus).writeto(out / "tiles" / t.recording.replace(".ser", ".fits"))
    if flat is not None:
        (out / "masters").mkdir()
        hdu = fits.PrimaryHDU(flat.astype(np.float32))
        hdu.header["FRAMES"] = 4
        hdu.writeto(out / "masters" / "flat.fits")
    return out


def _inside(matrix, points, shape):
    """Distance to the nearest edge of the tile, px, negative outside."""
    at = np.tensordot(np.linalg.inv(matrix[:, :2]), points - matrix[:, 2][:, None, None], 1)
    return np.minimum(np.minimum(at[0], shape[0] - 1 - at[0]), np.minimum(at[1], shape[1] - 1 - at[1]))


def lay(pattern, tile, to_disk):
    """Lay a sensor's map at each tile's place."""
    out = np.ones(tile.shape)
    for k, matrix in enumerate(to_disk):
        where = np.nonzero(tile == k)
        at = np.linalg.inv(matrix[:, :2]) @ (np.stack(where) - matrix[:, 2:])
        out[where] = ndimage.map_coordinates(pattern, at, order=1, mode="nearest")
    return out
