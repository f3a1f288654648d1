"""Physics: pure functions that take SI floats and return error terms.

Functions of a sensor return the reading error, reading minus truth, at the encoder's own shaft; functions of a gear, of
timing and of heat return attained minus commanded at the joint. `armsim.model.joint` transfers both to the joint.

``order`` is radians of signal phase per unit of position: the signal periods per turn of a rotary scale, 2 pi over the
signal period of a linear one. ``fundamental`` is the lowest order a scale can have: 1 for a turn, 2 pi over the
travel of a linear axis.
"""
