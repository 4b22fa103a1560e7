"""What holds for all tests: a slow or busy machine is no reason to fail."""

from hypothesis import settings

settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")
