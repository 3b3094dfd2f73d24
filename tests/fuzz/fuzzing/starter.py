"""Starts a process, waits for it, and tells what it used: run as a small process of its own, with nothing imported.

Linux hands the largest memory of the process that starts another one on to it (fs/exec.c, exec_mmap): started by a
worker that has held hundreds of megabytes, every process would tell as much. Only POSIX systems need and have this.

    python -I -S starter.py DESCRIPTOR LIMIT COMMAND...

writes its exit code as Python counts them, its processor seconds and its largest memory in bytes to the descriptor.
"""

import os
import resource
import sys


def main() -> None:
    """Start, wait and tell."""
    report, limit, command = int(sys.argv[1]), int(sys.argv[2]), sys.argv[3:]
    os.set_inheritable(report, False)
    process = os.fork()
    if process == 0:
        resource.setrlimit(resource.RLIMIT_DATA, (limit, resource.getrlimit(resource.RLIMIT_DATA)[1]))
        try:
            os.execv(command[0], command)
        finally:
            os._exit(127)
    _, status, used = os.wait4(process, 0)
    peak = used.ru_maxrss * (1 if sys.platform == "darwin" else 1024)
    told = f"{os.waitstatus_to_exitcode(status)} {used.ru_utime + used.ru_stime} {peak}"
    os.write(report, told.encode())


if __name__ == "__main__":
    main()
