"""Entry point of the command `lanewright`, and of `python -m lanewright`.

Ctrl-C must end the command without a traceback from its first moment on, so this is settled before
anything else is imported. (Until then Python itself starts, for some 20 ms.) `_signal` is what
Python's own module `signal` rests on; that one first builds its enumerations.
"""

import _signal  # type: ignore[import-not-found]
import os
import sys


def _leave(_number: int, _frame: object) -> None:
    """End at once: nothing has begun yet, or everything is done."""
    os.write(2, b"interrupted\n")
    os._exit(130)


def main() -> None:
    """Run the command line."""
    _signal.signal(_signal.SIGINT, _leave)
    try:
        from lanewright.base.limited import guarded

        guarded(_command)
    except ModuleNotFoundError as fault:  # one that the command line itself is made of
        from lanewright.base.errors import lacking_package

        lack = lacking_package(fault)
        if lack is None:
            raise
        os.write(2, f"error: {lack}\n".encode())
        os._exit(2)
    except MemoryError:
        # Too little even to load, or to say so by the usual way.
        os.write(2, b"error: there is not enough memory to run. Close other programs.\n")
        os._exit(2)


def _command() -> None:
    from lanewright.cli import main as command

    command()


if __name__ == "__main__":
    # Python puts the current folder first; nothing that lies there is to be taken for a library.
    home = os.path.dirname(os.path.dirname(os.path.realpath(__file__)))  # noqa: PTH120
    if not sys.flags.safe_path and os.path.realpath(sys.path[0]) != home:
        del sys.path[0]
    main()
