"""Scores to calibrated likelihood ratios, the open-set test, and their limits.

Conventions of the room: similarities are greater for nearer; likelihood ratios are base-10
logarithms, positive where the observation is more probable for a genuine item than for a
copy. The unit of counting is the specimen (for copies of unseen presses the print origin),
never the photo: several photos of one unit share its weight. `None` means "cannot be told".
"""
