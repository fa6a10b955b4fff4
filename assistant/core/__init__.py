"""The pure core: no clock, thread, file or device. ``machine.step(state, event) -> (state, effects)`` is all of it."""
