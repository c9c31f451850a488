"""A wrong figure or an unusable file becomes one line on stderr and exit code 2."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable

BAD_USE = 2


def guarded(handler: Callable[[argparse.Namespace], int]) -> Callable[[argparse.Namespace], int]:
    """Turn a wrong figure or an unusable file into one line on stderr and exit code 2."""

    def run(args: argparse.Namespace) -> int:
        from bench.problems import LogbookError

        try:
            return handler(args)
        except LogbookError as problem:
            print(f"deckplumb {args.command}: {problem.reason} {problem.advice}", file=sys.stderr)
        except ValueError as problem:
            print(f"deckplumb {args.command}: {problem}", file=sys.stderr)
        except OSError as problem:
            print(
                f"deckplumb {args.command}: {problem.filename}: {problem.strerror}", file=sys.stderr
            )
        return BAD_USE

    return run
