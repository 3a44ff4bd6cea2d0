"""A process that has loaded everything and forks a child for each command line it is told to run.

Starting Python and loading scipy takes a hundred times as long as making a small panel; a fork takes a
millisecond. So a thousand runs can be started, and killed, in minutes. Requests and answers are lines
of JSON.
"""

import json
import os
import resource
import signal
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from pathgen import cli


def warm():
    """Run once what the requests will ask for, so that all of it is loaded."""
    with tempfile.TemporaryDirectory() as folder:
        wall, out = Path(folder, "wall.npy"), Path(folder, "w.gcode")
        np.save(wall, np.full((12, 10), 1.6))
        names = {"preview": "p.png", "thickness": "t.npy", "moves": "m.npz"}
        extras = [f"--{kind}={Path(folder, name)}" for kind, name in names.items()]
        code = cli.run(["panel", str(wall), "--out", str(out), "--brim", "1", "--rim-width", "0", *extras])
        code = code or cli.run(["coupon", "first-layer-tile", "--out", str(Path(folder, "c.gcode"))])
        against = ["--against", str(wall), "--map", str(Path(folder, "map.png"))]
        return code or cli.run(["replay", str(out), "--ends", "0", *against])


def start(asked):
    """Fork a child that runs one command line; give its number and where its words go."""
    said = [tempfile.TemporaryFile() for _ in range(2)]
    ready, tell = os.pipe()
    child = os.fork()
    if child:
        os.close(tell)
        os.read(ready, 1)
        os.close(ready)
        return child, said
    try:
        _settle(asked, said)
        os.write(tell, b"!")
        cli.main(asked["args"])
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else 99
    except KeyboardInterrupt:  # outside `run`: as it would be while Python starts or ends
        code = 130
    except BaseException:
        sys.excepthook(*sys.exc_info())
        code = 98
    os._exit(code)


def _settle(asked, said):
    """Make the surroundings that were asked for."""
    stdout = said[0].fileno()
    if asked.get("stdout") == "closed pipe":
        reader, stdout = os.pipe()
        os.close(reader)
    elif asked.get("stdout"):
        stdout = os.open(asked["stdout"], os.O_WRONLY)
    os.dup2(stdout, 1)
    os.dup2(said[1].fileno(), 2)
    if asked.get("largest"):
        resource.setrlimit(resource.RLIMIT_FSIZE, (asked["largest"], resource.RLIM_INFINITY))
    resource.setrlimit(resource.RLIMIT_AS, (6 << 30, 6 << 30))  # whatever goes wrong, the machine goes on
    if asked.get("user"):
        os.setgid(asked["user"])
        os.setuid(asked["user"])
    if asked.get("dies"):
        _die_at(**asked["dies"])


def _die_at(call, time, after, number=signal.SIGKILL):
    """Have the process sent a signal at its n-th call of a function of the system."""
    real, left = getattr(os, call), [time]

    def deadly(*args, **options):
        left[0] -= 1
        if left[0] == 0 and not after:
            os.kill(os.getpid(), number)
        result = real(*args, **options)
        if left[0] == 0 and after:
            os.kill(os.getpid(), number)
        return result

    setattr(os, call, deadly)


def finish(asked, child, said, begun):
    """Send the signal when its time has come, and wait for the end."""
    if asked.get("signal"):
        time.sleep(max(0.0, begun + asked["at"] - time.perf_counter()))
        os.kill(child, asked["signal"])
    _, status, used = os.wait4(child, 0)
    seconds = time.perf_counter() - begun
    texts = []
    for stream in said:
        stream.seek(0)
        texts.append(stream.read().decode(errors="surrogateescape"))
        stream.close()
    return {
        "code": os.waitstatus_to_exitcode(status),
        "out": texts[0],
        "err": texts[1],
        "seconds": seconds,
        "memory": used.ru_maxrss / 1024,
    }


def serve():
    answers = os.fdopen(os.dup(1), "w")
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    code = warm()
    answers.write(json.dumps({"warm": code}) + "\n")
    answers.flush()
    for line in sys.stdin:
        asked = json.loads(line)
        started = [(each, *start(each), time.perf_counter()) for each in asked]
        answers.write(json.dumps([finish(*each) for each in started]) + "\n")
        answers.flush()


if __name__ == "__main__":
    serve()
