"""The trim sheet: what to type into the engine control, in its own order and shape, and what that will do."""
