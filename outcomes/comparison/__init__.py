"""Implanted against adhesive sensors: emulated trials, weights, balance, effects and their doubts.

Patients chose their sensor, most came from the other kind, and the sensor is also the instrument of
every glucose outcome. So a contrast leaves this room only with the trial that it emulates, who was
left out, how alike the arms are after weighting, and how much an unmeasured reason would move it.
"""
