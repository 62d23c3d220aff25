"""Settings of the whole suite."""

from hypothesis import settings

# No test is timed: a busy machine must not fail one.
settings.register_profile("slipguard", deadline=None)
settings.load_profile("slipguard")
