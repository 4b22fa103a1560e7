"""An engine whose truth is known."""
