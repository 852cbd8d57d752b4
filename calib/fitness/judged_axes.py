"""Gyro axes that are swapped, turned round, dead, or of another flight."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from calib.fitness.axes import SEARCH_S, AxesFound
from calib.fitness.finding import Finding

_UNRELATED = 0.6


def axes_findings(axes: AxesFound | None) -> Iterator[Finding]:
    """Loudly, what is wrong with the gyro's axes."""
    if axes is None:
        return
    if not axes.enough:
        if axes.apart:
            yield _apart(axes)
        return
    if axes.mixed_up:
        yield _mixed_up(axes)
        return
    for axis in axes.dead:
        rate = axes.picture_rad_s[axis]
        yield Finding(
            severity="stop",
            topic="gyro",
            what=f"the gyro shows no rotation about {'xyz'[axis]}, the image {rate:.2g} rad/s RMS",
            when_s=None,
            effect=f"all of it is read as speed: {1000 * rate:.0f} mm/s RMS per metre of height"
            if axis < 2
            else "the speed's direction is smeared, and points away from the middle disagree",
            remedy="look for a dead axis, a column left at zero, or another sensor's log",
        )
    if axes.explained < _UNRELATED and not axes.dead:
        if axes.gyro_rad_s.max() > 3 * max(axes.picture_rad_s.max(), 0.01):
            what = f"the image does not rotate while the gyro does, by {axes.gyro_rad_s.max():.2g} rad/s RMS"
            remedy = (
                "switch electronic image stabilization off; else: is something fixed to the craft in view, the image frozen,"
                " or the log of another flight?"
            )
        else:
            what = (
                f"the gyro explains {100 * max(axes.explained, 0):.0f} % of the rotation of the image, whatever its axes and its"
                f" clock within {SEARCH_S:g} s"
            )
            remedy = (
                "is gyro.csv of this video, on the same clock, in rad/s? is electronic image stabilization off? is the"
                " camera loose?"
            )
        yield Finding(
            severity="stop",
            topic="gyro",
            what=what,
            when_s=None,
            effect="turning is read as speed",
            remedy=remedy,
        )


def _apart(axes: AxesFound) -> Finding:
    rates = [
        f"{axes.means_rad_s[0, k]:+z.2f} about {'xyz'[k]}, the gyro {axes.means_rad_s[1, k]:+z.2f}" for k in axes.apart
    ]
    return Finding(
        severity="stop",
        topic="gyro",
        what=f"the image rotates steadily by {', by '.join(rates)} rad/s",
        when_s=None,
        effect="rows without speed (gyro_disagrees); where one passes, turning is read as speed",
        remedy="look at the gyro's signs, axes, unit (rad/s) and bias; is gyro.csv of this video?",
    )


def _mixed_up(axes: AxesFound) -> Finding:
    reads = []
    for column in range(3):
        row = int(np.abs(axes.matrix[:, column]).argmax())
        sign = "-" if axes.matrix[row, column] < 0 else "+"
        if row != column or sign == "-":
            reads.append(f"{'xyz'[column]} reads {sign}{'xyz'[row]}")
    proper = np.linalg.det(axes.matrix) > 0
    also = "; or the camera sits turned by it, and alignment.camera_to_body_wxyz is wrong" if proper else ""
    return Finding(
        severity="stop",
        topic="gyro",
        what=f"GYRO AXES: {', '.join(reads)}. With that corrected the gyro explains {100 * axes.explained:.0f} % of the rotation of"
        f" the image, as it is {100 * max(axes.explained_as_is, 0):.0f} %",
        when_s=None,
        effect="turning is read as speed, twice over where a sign is wrong",
        remedy=f"rename and sign the columns of gyro.csv: x forward, y right, z down, right-handed{also}",
    )
