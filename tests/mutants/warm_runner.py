"""A process that has loaded the libraries and forks a child for each run of pytest that it is asked for.

Loading scipy, matplotlib and the rest takes longer than most runs. pathgen itself is not loaded, so that
every child meets the code of its own folder. Requests and answers are lines of JSON.
"""

import json
import os
import resource
import signal
import sys
import tempfile
import time
import traceback

import hypothesis  # noqa: F401
import jinja2  # noqa: F401
import matplotlib.figure  # noqa: F401
import msgspec  # noqa: F401
import networkx  # noqa: F401
import PIL.Image  # noqa: F401
import pytest
import scipy.interpolate  # noqa: F401
import scipy.ndimage  # noqa: F401
import scipy.optimize  # noqa: F401
import scipy.stats  # noqa: F401
import shapely  # noqa: F401
import skimage.transform  # noqa: F401

BROKEN = 99  # exit code where pytest itself failed
PATIENCE = 20.0  # a run may take so many times its processor seconds by the clock


def run(folder: str, arguments: list[str], limit: float) -> dict:
    """Run pytest in a folder; return its exit code, the processor seconds and the end of its output.

    Beyond `limit` processor seconds the run is killed; so is one that takes `PATIENCE` times as long by the
    clock. The exit code is then that of a signal, below 0.
    """
    with tempfile.TemporaryFile() as output:
        child = os.fork()
        if not child:
            os.setsid()
            os.chdir(folder)
            sys.path.insert(0, folder)
            os.environ |= {"PYTHONPATH": folder, "MPLBACKEND": "agg"}
            resource.setrlimit(resource.RLIMIT_CPU, (int(limit) + 1, int(limit) + 1))
            for stream in (1, 2):
                os.dup2(output.fileno(), stream)
            code = BROKEN
            try:
                code = int(pytest.main(arguments))
            except BaseException:  # whatever it is, this child must not go on as a second runner
                traceback.print_exc()
            sys.stdout.flush()
            os._exit(code)
        end, status = time.monotonic() + PATIENCE * limit, None
        while status is None:
            done, ended, used = os.wait4(child, os.WNOHANG)
            if done:
                status = ended
            elif time.monotonic() > end:
                os.killpg(child, signal.SIGKILL)
                _, status, used = os.wait4(child, 0)
            else:
                time.sleep(0.02)
        try:  # programs that tests started and left behind
            os.killpg(child, signal.SIGKILL)
        except ProcessLookupError:
            pass
        output.seek(0)
        text = output.read().decode(errors="replace")
    seconds = used.ru_utime + used.ru_stime
    return {"code": os.waitstatus_to_exitcode(status), "seconds": seconds, "output": text[-2000:]}


if __name__ == "__main__":
    for line in sys.stdin:
        print(json.dumps(run(**json.loads(line))), flush=True)
