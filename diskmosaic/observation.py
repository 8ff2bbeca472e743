"""What is known of instrument, place and sky, as the disk and the pictures need it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Observation:
    """What is known of instrument, place and sky; None (text: empty) where it is not.

    Attributes
    ----------
    name, author, credit, rights, caption : str
        Title of the session, who made it, and what a person wants said with its pictures.
    telescope, camera, place : str
        Names for captions.
    telescope_focal_mm, aperture_mm, pixel_um, wavelength_nm : float or None
    extender : float
        Factor of the focal extender, 1 without one.
    latitude_deg, longitude_deg : float or None
        North and east positive.
    time_utc : str or None
        A person's reference time, ISO 8601 in UTC without a zone; goes before the recordings' own times.
    north_deg : float or None
        Direction of solar north on the sensor: the angle from ``-y`` (towards row 0), positive turning from
        ``+x`` towards ``+y``. Shown with row 0 on top: 0 up, 90 right, 180 down, 270 left. North is thus the
        unit vector ``(y, x) = (-cos(north_deg), sin(north_deg))``.
    mirrored : bool or None
        False: the true image, on which solar east is found 90 degrees counter-clockwise of north when row 0
        is on top (north up: east limb on the left). True: east is 90 degrees clockwise of north.
    drive_stopped : (str, str) or None
        Recordings between which the drive stood still.
    """

    name: str = ""
    author: str = ""
    credit: str = ""
    rights: str = ""
    caption: str = ""
    telescope: str = ""
    camera: str = ""
    place: str = ""
    telescope_focal_mm: float | None = None
    extender: float = 1.0
    aperture_mm: float | None = None
    pixel_um: float | None = None
    wavelength_nm: float | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    time_utc: str | None = None
    north_deg: float | None = None
    mirrored: bool | None = None
    drive_stopped: tuple[str, str] | None = None

    @property
    def arcsec_per_px(self) -> float | None:
        """Plate scale from focal length, extender and pixel size; None where one is unknown."""
        if self.telescope_focal_mm is None or self.pixel_um is None:
            return None
        from diskmosaic.sky.sun import plate_scale  # brings the ephemeris, which a session's text does not need

        return plate_scale(self.pixel_um, self.telescope_focal_mm, self.extender)
