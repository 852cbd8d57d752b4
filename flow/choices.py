"""What each word means where only some words are allowed: values of options and of keys of the module file."""

from __future__ import annotations

LENS_MODELS = {
    "pinhole": "Brown-Conrady distortion k1 k2 p1 p2 k3; up to about 100 degrees of view",
    "fisheye": "Kannala-Brandt equidistant polynomial k1 k2 k3 k4; for wider lenses",
}
"""How a lens maps rays to pixels."""

BEAMS = {
    "wide": "the perpendicular distance to the ground, as the cone of an ultrasonic sensor gives it",
    "narrow": "the slant distance along body z, as a laser gives it",
}
"""Which distance a range sensor gives."""

MOTIONS = {
    "hover": "holds its place in gusts, rocking",
    "pass": "flies straight on at constant speed",
    "climb": "rises or sinks at constant speed",
    "yaw": "turns on the spot at constant rate",
    "slider": "moves as on a slow, level rail, without rocking",
    "hand": "is turned by hand about all axes, as `calibrate alignment` wants it",
    "tour": "hovers, flies straight on, turns and stops in one flight, in gusts",
}
"""What a synthetic craft does."""

CODECS = {
    "lossless": "H.264 without loss; plays in most programs",
    "ffv1": "FFV1 without loss, for archives; frames.csv carries the times",
    "mjpeg": "each frame a JPEG by itself, as many cameras store it",
    "h264": "H.264 with loss, as recorders on a craft store it; shifts whole frames by some hundredths of a pixel",
}
"""How frames are stored."""

EXPORTS = {
    "mcap": "a ROS 2 MCAP file of geometry_msgs/TwistWithCovarianceStamped, a message for each row with a velocity",
    "bag": "a ROS 1 bag of the same messages",
    "parquet": "a Parquet table of every row, in the axes and columns of speed.csv",
}
"""What a speed log may be written as."""

LENS_LAYOUTS = {
    "camera-info": "the YAML layout of ROS camera_info files",
    "opencv": "OpenCV's FileStorage YAML",
}
"""How a lens may be written for other programs."""

GROUNDS = {
    "gravel": "pebbles a few millimetres to centimetres wide, strong texture",
    "soil": "trodden soil, weak and fine texture",
    "paving": "concrete slabs with joints, texture that repeats",
    "bare": "a smooth floor with next to no texture: there is no speed to be had",
}
"""Synthetic floors."""

SAMPLE_MODULES = {
    "small": "320 x 240 px, 62 degrees wide",
    "large": "640 x 480 px, 62 degrees wide",
    "fisheye": "320 x 240 px, equidistant, 140 degrees over the diagonal",
}
"""Modules that need no file."""

BOARDS = {
    "chessboard": "COLSxROWS inner corners, SIZE is the side of a square in m",
    "circles": "COLSxROWS dark discs on a symmetric grid, SIZE is their spacing in m",
    "charuco": "COLSxROWS squares with a marker in each white one, SIZE is the side of a square in m; may be partly hidden",
}
"""Calibration boards."""

PAPERS = {
    "a4": "210 x 297 mm",
    "a3": "297 x 420 mm",
    "a2": "420 x 594 mm",
    "a1": "594 x 841 mm",
    "a0": "841 x 1189 mm",
    "letter": "215.9 x 279.4 mm",
    "legal": "215.9 x 355.6 mm",
    "tabloid": "279.4 x 431.8 mm",
}
"""Paper sizes for calibration boards."""

CLOCKS = {
    "search": "the offset and drift of the clocks are found by matching the image's rotation with the gyro's",
    "same": "video and log were stamped by one clock",
}
"""How the clocks of a video and a log belong together."""

FRAME_TIMES = {"names": "the names of the image files are the frame times"}
"""Where frame times come from, if not from a table."""
