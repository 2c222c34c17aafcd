"""How is the photograph beside a scan shown: small, upright, and without what a camera adds to it?

A camera writes where and when a picture was taken, its own serial number and often a second, larger
picture into the file. None of it reaches the page: the pixels are decoded, turned upright, made
small and encoded anew, and the raw file itself is never sent.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Final

from leafledger.errors import InputFault, input_fault
from leafledger.study.sheets import PICTURE_WORDS, PathCheck
from leafledger.study.study import Study

LARGEST_SIDE: Final = 640
"""Pixels of the longer side, as shown."""
MOST_PIXELS: Final = 120_000_000
"""Pixels of a picture that is decoded at all; a phone of today takes 12 to 200 million."""
FORMATS: Final = ("JPEG", "PNG", "WEBP")
MEDIA_TYPE: Final = "image/jpeg"
_QUALITY: Final = 82


@dataclass(frozen=True)
class Photos:
    """The photographs of a study by scan.

    Attributes
    ----------
    folder
        The study folder.
    paths
        Scan -> path of its picture below the folder.
    """

    folder: Path
    paths: Mapping[str, str] = field(default_factory=dict)

    def small(self, scan: str) -> bytes | None:
        """Return the picture of a scan as a small JPEG; ``None`` if it has none.

        Raises
        ------
        InputFault
            If the file is gone, lies outside the study, or holds no picture that can be decoded.
        """
        name = self.paths.get(scan)
        if name is None:
            return None
        why = PathCheck(self.folder).why_no_picture(name)
        if why:
            raise _fault(name, why)
        path = self.folder / name
        stat = path.stat()
        return _small(path, name, stat.st_mtime_ns, stat.st_size)


def photos_of(study: Study) -> Photos:
    """Return the photographs that the scan sheet names."""
    return Photos(study.folder, {scan.scan: scan.photo for scan in study.scans if scan.photo})


@lru_cache(maxsize=64)
def _small(path: Path, name: str, _changed: int, _size: int) -> bytes:
    return small_picture(path.read_bytes(), name)


def small_picture(data: bytes, name: str) -> bytes:
    """Return a picture upright, small and with nothing but its pixels, as JPEG.

    Parameters
    ----------
    data
        The file: JPEG, PNG or WebP.
    name
        Its path, for messages.

    Raises
    ------
    InputFault
        If it is none of these, is damaged, or has more than 120 million pixels.
    """
    from PIL import Image, ImageOps

    try:
        with warnings.catch_warnings():
            # Its own bound is a warning; ours, below, is held before a pixel is decoded.
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            picture = Image.open(io.BytesIO(data), formats=FORMATS)
        n_pixels = picture.width * picture.height
        if n_pixels > MOST_PIXELS:
            raise _fault(name, f"a picture of {n_pixels / 1e6:.0f} million pixels")
        picture.draft("RGB", (2 * LARGEST_SIDE, 2 * LARGEST_SIDE))  # JPEG is decoded small at once
        # 1. Upright, as the camera says; 2. small; 3. pixels only, on white where transparent.
        upright: Image.Image = picture
        picture.load()
        with suppress(Exception):  # metadata that cannot be read say nothing of sound pixels
            upright = ImageOps.exif_transpose(picture)
        upright.thumbnail((LARGEST_SIDE, LARGEST_SIDE))
        coloured = upright.convert("RGBA")
        plain = Image.new("RGB", coloured.size, "white")
        plain.paste(coloured, mask=coloured.getchannel("A"))
        out = io.BytesIO()
        plain.save(out, "JPEG", quality=_QUALITY)
    except InputFault:
        raise
    except Image.DecompressionBombError as error:
        raise _fault(
            name, f"a picture of more than {MOST_PIXELS / 1e6:.0f} million pixels"
        ) from error
    except Exception as error:
        # A damaged picture makes the decoders raise nearly anything, from SyntaxError to struct's.
        raise _fault(
            name, "a picture that cannot be decoded: damaged, or of another form"
        ) from error
    return out.getvalue()


def _fault(name: str, found: str) -> InputFault:
    return input_fault(
        name,
        found,
        f"a picture ({PICTURE_WORDS}) of at most {MOST_PIXELS / 1e6:.0f} million pixels",
        "Save it again as JPEG, or take it out of column photo.",
    )
