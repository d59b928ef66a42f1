"""Settings for all tests."""

import os

from hypothesis import settings

# Nothing timed decides a test; on the build machine the same examples are drawn at every run.
settings.register_profile("zonemap", deadline=None, derandomize=os.environ.get("CI") == "true")
settings.register_profile("thorough", deadline=None, max_examples=2000)
settings.load_profile("zonemap")
