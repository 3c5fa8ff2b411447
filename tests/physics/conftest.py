"""Property tests draw the same examples every time, and the first call of a kernel may take its time compiling."""

from hypothesis import settings

settings.register_profile("physics", deadline=None, derandomize=True, database=None)
settings.load_profile("physics")
