"""A bag file as the parts of a recording."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from flow.errors import DataError
from flow.intake.bag_images import as_luma
from flow.intake.bag_imu import REP_103, Array, body_gyro
from flow.intake.bag_reader import BagReader, is_bag
from flow.intake.bag_reference import level_motion
from flow.intake.bag_samples import BagSamples, Pictures, Samples, picture_of, read_samples
from flow.intake.bag_topics import NONE, PARTS, Topic, chosen_topics
from flow.intake.gathered import Gathered, GatheredFrames, Origin, Picture, sha256
from flow.lens_values import ForeignLens, camera_values
from flow.series import RangeSamples, Truth
from flow.wording import counted

__all__ = ["PARTS", "is_bag", "read_bag"]

_ULTRASOUND = 0  # sensor_msgs/Range: ULTRASOUND=0, INFRARED=1
_MEMBER = {"image": "frames", "imu": "gyro", "range": "range", "reference": "truth", "camera-info": "camera"}

# What no message tells, and how far off an uncalibrated module may be (common practice): mounted by eye, clocks of two
# drivers, a consumer gyro out of the box, an unknown shutter.
_UNKNOWN: Mapping[str, Mapping[str, Any]] = {
    "camera": {"readout_s": 0.01},
    "alignment": {
        "camera_to_body_rad": [0.03, 0.03, 0.03],
        "camera_position_m": [0.05, 0.05, 0.05],
        "time_offset_s": 0.01,
    },
    "gyro": {"bias_rad_s": [0.01, 0.01, 0.01]},
}
_FOCAL_SIGMA = 0.005  # of a lens that somebody calibrated somehow


def read_bag(
    path: Path,
    topics: Mapping[str, str] | None = None,
    *,
    axes: str = REP_103,
    ground_z_m: float | None = None,
) -> Gathered:
    """Read a ROS 1 or ROS 2 bag as the parts of a recording; the pictures follow when they are asked for.

    Times are those of the header stamps, never of arrival.

    Parameters
    ----------
    path
        A ``.bag``, ``.mcap`` or ``.db3`` file, or the folder of a ROS 2 bag; its content counts, not its name.
    topics
        By part (`PARTS`), the topic to take, or ``none`` to leave it out; parts that are not named are chosen by
        message type.
    axes
        Which axis of the IMU each body axis is (`flow.intake.axes`); by default those of REP 103.
    ground_z_m
        Where the ground lies in the world frame of the reference, z up; None leaves its height empty.

    Raises
    ------
    DataError
        A bag that cannot be read, topics that are missing or ambiguous, that never overlap, or whose messages
        cannot serve.
    """
    with BagReader(path) as bag:
        chosen = chosen_topics(bag.topics, topics or {}, path)
        held = read_samples(bag, chosen)
    _check_overlap(held, path)
    parts = (held.pictures, held.imu, held.range)
    zero_ns = min(int(part.stamp_ns[0]) for part in parts if part is not None)
    remarks = _pictures_remarks(held.pictures)
    truth = _truth(held.reference, zero_ns, ground_z_m, path, remarks)
    camera = _camera(held, chosen, path, remarks)
    digest = sha256(path)
    sections = _sections(camera, _range_section(held.first_range), chosen, {"source": path.name, "sha256": digest})
    return Gathered(
        frames=GatheredFrames(
            times_s=_seconds(held.pictures.stamp_ns, zero_ns), pictures=_BagPictures(path=path, listed=held.pictures)
        ),
        gyro=body_gyro(held.imu, zero_ns, path, axes),
        range=_ranges(held.range, zero_ns, path),
        truth=truth,
        sections=sections,
        time_zero_ns=zero_ns,
        origins={
            _MEMBER[part]: Origin(
                path=path, sha256=digest, inside={"topic": topic.name, "type": topic.kind, "messages": topic.count}
            )
            for part, topic in chosen.items()
        },
        mapping={
            "bag": str(path.absolute()),
            "topics": {part: chosen[part].name if part in chosen else NONE for part in PARTS},
            "imu_axes": axes,
            **({} if ground_z_m is None else {"ground_z_m": ground_z_m}),
        },
        remarks=tuple(remarks),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _BagPictures:
    """The grey images of a bag, read anew and one at a time whenever they are iterated."""

    path: Path
    listed: Pictures

    def __len__(self) -> int:
        return len(self.listed.stamp_ns)

    def __iter__(self) -> Iterator[Picture]:
        topic, size_px = self.listed.topic, (self.listed.width_px, self.listed.height_px)
        with BagReader(self.path) as bag:
            for number, (_, message) in enumerate(bag.messages([topic.name])):
                picture = picture_of(message, topic, number, self.path)
                found_px = picture.shape[1], picture.shape[0]
                if found_px != size_px:
                    sizes = f"{size_px[0]} x {size_px[1]} to {found_px[0]} x {found_px[1]} px"
                    problem = f"the image size changes from {sizes} at message {number}; record one camera a topic"
                    raise DataError(problem, path=self.path, key=topic.name)
                yield as_luma(picture, self.listed.bits)


def _seconds(stamp_ns: Any, zero_ns: int) -> Array:
    return np.asarray((stamp_ns - zero_ns) / 1e9)  # a difference of integers: no digit is lost


def _check_overlap(held: BagSamples, path: Path) -> None:
    begin_ns, end_ns = int(held.pictures.stamp_ns[0]), int(held.pictures.stamp_ns[-1])
    for part in (held.imu, held.range):
        if part is not None and (part.stamp_ns[0] > end_ns or part.stamp_ns[-1] < begin_ns):
            covered = f"covers {part.stamp_ns[0] * 1e-9:.3f} to {part.stamp_ns[-1] * 1e-9:.3f} s"
            pictures = f"{held.pictures.topic.name} {begin_ns * 1e-9:.3f} to {end_ns * 1e-9:.3f} s"
            problem = f"{covered}, {pictures}: they never overlap; were both stamped by the same clock?"
            raise DataError(problem, path=path, key=part.topic.name)


def _truth(
    reference: Samples | None, zero_ns: int, ground_z_m: float | None, path: Path, remarks: list[str]
) -> Truth | None:
    if reference is None:
        return None
    motion = level_motion(reference)
    if motion is None:
        problem = "needs two or more poses with an orientation to be a reference; give --topic reference=none"
        raise DataError(problem, path=path, key=reference.topic.name)
    height = np.full(len(motion.stamp_ns), np.nan) if ground_z_m is None else motion.world_z_m - ground_z_m
    remarks.append(f"{reference.topic.name}: the reference is the {motion.remark}")
    if ground_z_m is None:
        remarks.append(f"{reference.topic.name}: where the ground lies is not said, so the reference has no height")
    forward, right, down = motion.velocity_m_s.T
    time_s = _seconds(motion.stamp_ns, zero_ns)
    return Truth(time_s=time_s, forward_m_s=forward, right_m_s=right, down_m_s=down, height_m=height)


def _pictures_remarks(pictures: Pictures) -> list[str]:
    if pictures.bits == 8:
        return []
    return [f"{pictures.topic.name}: {pictures.encoding} fills {pictures.bits} bits, of which the top 8 are kept"]


def _camera(held: BagSamples, topics: Mapping[str, Topic], path: Path, remarks: list[str]) -> dict[str, Any] | None:
    """Give the lens of the camera-info topic as values of a ``camera`` section."""
    info = held.camera_info
    if info is None:
        return None
    name, image = topics["camera-info"].name, held.pictures.topic.name
    K, D, R, P = (np.asarray(getattr(info, key, getattr(info, key.upper(), ()))) for key in "kdrp")
    pictures = f"images of {held.pictures.width_px} x {held.pictures.height_px} px"
    if not K.any():
        remarks.append(f"{name}: K is 0, the camera was never calibrated; no lens is taken over")
        return None
    if (info.width, info.height) != (held.pictures.width_px, held.pictures.height_px) or _binned(info):
        remarks.append(f"{name}: is for {info.width} x {info.height} px, not the {pictures}; no lens is taken over")
        return None
    lens = ForeignLens(
        path=path,
        width_px=int(info.width),
        height_px=int(info.height),
        distortion_model=str(info.distortion_model),
        distortion=D.tolist(),
        matrix=K.reshape(3, 3),
        rectification=R.reshape(3, 3),
        projection=P.reshape(3, 4),
    )
    # image_pipeline's names: image_rect and image_rect_color hold what P describes, all others what K and D do.
    try:
        values, said = camera_values(lens, rectified="rect" in image.removesuffix("/compressed").rpartition("/")[2])
    except DataError as error:
        raise DataError(
            f"{error.key}: {error.problem}, or give --topic camera-info=none", path=path, key=name
        ) from None
    remarks.extend(f"{name}: {remark}" for remark in said)
    return values


def _binned(info: Any) -> bool:
    return max(info.binning_x, info.binning_y) > 1 or bool(info.roi.x_offset or info.roi.y_offset)


def _ranges(readings: Samples | None, zero_ns: int, path: Path) -> RangeSamples | None:
    if readings is None:
        return None
    known = ~np.isnan(readings.values[:, 0])
    if not known.any():
        problem = f"none of its {counted(len(known), 'reading')} lies within the limits that it states itself"
        remedy = "give --topic range=none for a recording without"
        raise DataError(f"{problem}; {remedy}", path=path, key=readings.topic.name)
    time_s = _seconds(readings.stamp_ns[known], zero_ns)
    return RangeSamples(time_s=time_s, range_m=readings.values[known, 0], air_temperature_c=None)


def _sections(
    camera: dict[str, Any] | None, ranger: dict[str, Any], topics: Mapping[str, Topic], source: Mapping[str, str]
) -> dict[str, dict[str, Any]]:
    """Give the module sections that the bag knows, and wide one-sigmas for what it does not; none without a lens."""
    if camera is None:
        return {}
    lens = {**camera, "provenance": {**source, "topic": topics["camera-info"].name}}
    sections = {"camera": lens, "alignment": {}, "gyro": {}}
    for name, sigma in _UNKNOWN.items():
        sections[name]["sigma"] = dict(sigma)
    lens["sigma"] |= {key: round(_FOCAL_SIGMA * camera[key], 4) for key in ("fx_px", "fy_px")}
    if ranger:
        sections["range"] = {**ranger, "provenance": {**source, "topic": topics["range"].name}}
    return sections


def _range_section(first: Any) -> dict[str, Any]:
    """Give what a range message says about its sensor as values of a ``range`` section."""
    if first is None:
        return {}
    said: dict[str, Any] = {"beam": "wide" if first.radiation_type == _ULTRASOUND else "narrow"}
    if first.max_range > first.min_range:
        said |= {"min_m": round(float(first.min_range), 6), "max_m": round(float(first.max_range), 6)}
    return said
