"""Every status that a log can hold: the word, what it means and what to do about it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Status:
    """A status of a row.

    Parameters
    ----------
    word
        As it stands in the file.
    meaning
        What happened.
    remedy
        What the user can do about it.

    Raises
    ------
    ValueError
        A text is empty.
    """

    word: str
    meaning: str
    remedy: str

    def __post_init__(self) -> None:
        if not (self.word and self.meaning and self.remedy):
            raise ValueError(f"status {self.word!r} lacks a text")


OK = Status("ok", "the velocity is trustworthy within its error band", "use it, with its error band")

SPEED_STATUSES = (
    OK,
    Status(
        "no_gyro",
        "the gyro log does not cover the interval between the two frames: silent, hung, or cut at its range",
        "log the gyro from before the first frame to after the last without gaps, at a full-scale range that the craft "
        "does not saturate",
    ),
    Status(
        "no_attitude",
        "the attitude log does not cover the interval between the two frames",
        "log the attitude from before the first frame to after the last; or take attitude.csv away where gyro.csv has an "
        "accelerometer",
    ),
    Status(
        "no_height",
        "no plausible range reading for too long",
        "see that the range sensor keeps logging and faces the ground; look for outliers, a hung sensor or a wrong "
        "range.time_offset_s (`groundpace check` looks for them)",
    ),
    Status(
        "height_out_of_range",
        "the height is outside what the range sensor can measure",
        "fly between range.min_m and range.max_m, or correct these limits in the module file after the sensor's data sheet",
    ),
    Status(
        "frame_gap",
        "the two frames are too far apart in time to share a view",
        "look for dropped frames: a slow disk, link or recorder; a higher frame rate, a lower speed or more height keeps "
        "consecutive frames overlapping",
    ),
    Status(
        "repeated_frame",
        "the second frame is a copy of the first: the camera or the recorder stalled",
        "store each frame once, with its own time stamp; a recorder that fills up a nominal rate with copies must not",
    ),
    Status(
        "no_texture",
        "the ground has too little texture for the image noise",
        "more light, better focus, a shorter exposure, or less height; over a bare floor there is no speed to be had, and "
        "the autopilot must hold without it",
    ),
    Status(
        "few_tracks",
        "too few points could be tracked from one frame to the next",
        "fly slower, higher or turn less between frames; a higher frame rate and a shorter exposure help (`groundpace "
        "envelope` gives the limits)",
    ),
    Status(
        "contradictory",
        "the points do not agree on one motion of the ground",
        "look for what moves in view (people, shadows, water, leaves in wind), for tall relief close by, or for a loose "
        "camera; more height helps",
    ),
    Status(
        "gyro_disagrees",
        "the rotation of the image contradicts the gyro: check the gyro's axes and signs, the clock, the mounting, the lens "
        "(focal length, distortion) and the readout",
        "`groundpace check` names the value that explains it; correct the columns of gyro.csv, or run `groundpace calibrate "
        "alignment`",
    ),
    Status(
        "picture_fixed",
        "the image does not move although the gyro measures a rotation: is something fixed to the craft in view, or electronic "
        "image stabilization on?",
        "switch image stabilization off; look for a camera or recorder that froze, or for something on the lens or the landing "
        "gear that fills the view",
    ),
    Status(
        "too_tilted",
        "the camera looks too far away from the ground below",
        "lean less; where the craft did not lean, check attitude.csv, the signs of the accelerometer and "
        "alignment.camera_to_body_wxyz",
    ),
    Status(
        "uncertain",
        "the error band is wider than the speed is worth",
        "review.html shows which cause of error dominates; `groundpace explain` says what to do about each",
    ),
)
"""Statuses of ``speed.csv``."""

FUSED_STATUSES = (
    Status("ok", "the image gives a velocity here", OK.remedy),
    Status(
        "bridged",
        "the image gives no velocity here: inertial sensors alone, between the rows before and after",
        "use it with its error band, which grows with the gap; the status of speed.csv says why the rows are missing",
    ),
    Status(
        "no_state",
        "no row of the speed log to start from, or no inertial samples",
        "nothing is known here; look at the status of speed.csv at this time, and for gaps in gyro.csv",
    ),
    Status(
        "uncertain",
        "the error band is wider than the speed is worth",
        "the gap in speed.csv is too long to be bridged; the status there says why",
    ),
)
"""Statuses of ``fused.csv``."""
