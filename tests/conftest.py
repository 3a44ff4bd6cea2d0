"""Options of the test run."""

from hypothesis import settings

# The same run gives the same result; the slow runs look further.
settings.register_profile("fixed", derandomize=True, deadline=None)
settings.load_profile("fixed")


def pytest_addoption(parser):
    parser.addoption("--update-golden", action="store_true", help="write the golden programs anew")
