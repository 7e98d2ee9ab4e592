"""Holds one thread of a process still, the others go on: what a hung loop looks like from outside.

hold_thread.py PID NAME SECONDS: says `held`, waits, lets it go, says `released`. With `-` for SECONDS it says `ready` and
does the same for each line of standard input, which gives the seconds. Linux, ptrace(2), PTRACE_SEIZE.
"""

import ctypes
import os
import sys
import time

PTRACE_CONT, PTRACE_DETACH, PTRACE_SEIZE, PTRACE_INTERRUPT = 7, 17, 0x4206, 0x4207
WALL = 0x40000000

libc = ctypes.CDLL(None, use_errno=True)
libc.ptrace.argtypes = [ctypes.c_long, ctypes.c_long, ctypes.c_void_p, ctypes.c_void_p]
libc.ptrace.restype = ctypes.c_long


def ptrace(request: int, thread: int) -> None:
    if libc.ptrace(request, thread, None, None) == -1:
        number = ctypes.get_errno()
        sys.exit(f"ptrace {request:#x} of {thread}: {os.strerror(number)}")


def thread_named(process: int, name: str) -> int:
    for entry in os.listdir(f"/proc/{process}/task"):
        with open(f"/proc/{process}/task/{entry}/comm", encoding="utf-8") as file:
            if file.read().strip() == name:
                return int(entry)
    sys.exit(f"process {process} has no thread {name}")


def hold(thread: int, seconds: float, then: int) -> None:
    ptrace(PTRACE_INTERRUPT, thread)
    os.waitpid(thread, WALL)
    print("held", flush=True)
    time.sleep(seconds)
    ptrace(then, thread)
    print("released", flush=True)


def main() -> None:
    process, name, seconds = int(sys.argv[1]), sys.argv[2], sys.argv[3]
    thread = thread_named(process, name)
    ptrace(PTRACE_SEIZE, thread)
    if seconds != "-":
        hold(thread, float(seconds), PTRACE_DETACH)
        return
    print("ready", flush=True)
    for line in sys.stdin:
        hold(thread, float(line), PTRACE_CONT)


main()
