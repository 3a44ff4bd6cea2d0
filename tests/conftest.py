"""Options of the test run."""


def pytest_addoption(parser):
    parser.addoption("--update-golden", action="store_true", help="write the golden programs anew")
