"""Options of the test run."""

import signal

from hypothesis import settings

# What is ignored here, as by nohup or behind a shell's &, would be ignored by every program under test.
for stop in (signal.SIGTERM, getattr(signal, "SIGHUP", signal.SIGTERM)):
    signal.signal(stop, signal.SIG_DFL)
signal.signal(signal.SIGINT, signal.default_int_handler)

# The same run gives the same result; the slow runs look further.
settings.register_profile("fixed", derandomize=True, deadline=None, max_examples=50)
settings.load_profile("fixed")


def pytest_addoption(parser):
    parser.addoption("--update-golden", action="store_true", help="write the golden programs anew")
