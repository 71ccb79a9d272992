"""One test of many cases: an item of pytest's costs milliseconds, a small case microseconds."""

import functools


def each(cases, name=str):
    """Ask a test of every case, and name those of which it does not hold.

    A case is an argument; a tuple holds several.
    """

    def made(test):
        @functools.wraps(test)
        def every():
            told = []
            for case in cases:
                try:
                    test(*case) if isinstance(case, tuple) else test(case)
                except AssertionError as error:
                    told.append(f"{name(case)}: {error}")
            assert cases
            assert not told, "\n".join(told)

        del every.__wrapped__  # else pytest takes the arguments for fixtures
        return every

    return made
