"""What moves: one error-state filter of velocity, gravity, sensor biases and the image's own error, one step a pair of frames.

It works in the local inertial frame, the axes that do not rotate in which :class:`flow.rotation.RotationLog` keeps the
orientation. There everything is nearly linear, and a step may be as long as a frame interval, since rotation and specific
force are integrated beforehand, sample by sample. ``layout`` says where each state stands, ``process`` gives F and Q,
``kalman`` the two steps of a Kalman filter, ``motion_filter`` decides what is predicted and corrected when.
"""
