"""The image of a mounted disk as it was at one moment: what a power cut leaves."""

from __future__ import annotations

import filecmp
import shutil
from pathlib import Path


def copy_of_one_moment(image: Path, copy: Path) -> None:
    """Copy the image of a file system that the kernel may be writing to.

    A copy takes a while, and blocks of two moments make a disk that never was. What two readings, one after
    the other, find alike stood so in the moment between them. Raises RuntimeError where it never rests.
    """
    for _ in range(50):
        shutil.copyfile(image, copy)
        if filecmp.cmp(image, copy, shallow=False):
            return
    raise RuntimeError(f"{image} changes all the time")
