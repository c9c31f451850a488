"""The set-up job in a terminal: one step at a time, photos by path, figures by typing.

In: lines typed by a person or read from a script, the same words for both. Out: text, and every
entry in the logbook at once. Leave with ``quit`` or Ctrl-C at any time; ``--job`` takes it up
again. A script stops at its first wrong line with exit code 2; it ends with 3 where steps are left.
"""

from __future__ import annotations

import argparse
import re
import shlex
import sys
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from glob import glob
from pathlib import Path

from bench.advice import Advice
from bench.entries import standing
from bench.job import OpenJob, Result
from bench.logbook import Logbook
from bench.step_list import STEP_BY_KEY, Step
from bench.steps import StepState, cautions, how
from bench.targets import UNIT_OF, UNIT_SIGNS
from ui.log_text import figure_of

OK, BAD_USE, LEFT = 0, 2, 3
HELP = """\
  photo PATH...         read this step's quantity from one or more photos (more are combined)
  as QUANTITY PATH...   read another quantity that settles this step
  value NUMBER U        type a figure and its expanded uncertainty (k = 2) instead
  value QUANTITY NUMBER U
  correct NUMBER U      the last figure was mistyped: put this in its place
  turned [AMOUNT]       you turned it as advised, or by another amount, same way
  tell FIELD NUMBER     answer a question, such as: tell record_mm 1.8
  done [NOTE]           the step is done; for a reading: accept it as it stands
  skip REASON           leave the step out
  go STEP               work on another step         status   every step
  order STEP,STEP,...   change the order             advice   say the advice again
  quit                  leave; take it up again with --job"""


class Walk:
    """A walk over an open job."""

    def __init__(self, job: OpenJob, out: Callable[[str], None] = print) -> None:
        self.job, self.out = job, out
        self.at: str | None = None
        self.advice: Advice | None = None

    def current(self) -> StepState | None:
        """The step at hand: the one gone to, or the next to do."""
        if self.at is not None:
            return self.job.state(self.at)
        return self.job.next()

    def obey(self, line: str) -> bool:
        """Do one line; False to leave. ValueError says what is wrong with it."""
        words = _words(line)
        if not words:
            return True
        verb, rest = words[0].lower(), words[1:]
        if verb in ("quit", "exit"):
            return False
        if verb not in _VERBS:
            raise ValueError(f"got {verb!r}, allowed {', '.join(_VERBS)}, quit")
        _VERBS[verb](self, rest)
        return True

    def show_step(self) -> None:
        """Print the step at hand."""
        state = self.current()
        if state is None:
            self.out("Every step is finished.")
            return
        step, deck = state.step, self.job.deck
        self.out(f"\n== {step.title} ({step.key}) == {state.status}")
        if state.note:
            self.out(f"   {state.note}")
        self.out(f"   {step.why}")
        for line in how(step, deck):
            self.out(f"   - {line}")
        if step.tools:
            self.out(f"   tools: {', '.join(step.tools)}")
        for line in cautions(step, deck):
            self.out(f"   ! {line}")
        if step.quantity is not None:
            self.out(f"   target: {deck.target(step.quantity).text()}")
        for need in step.needs:
            if self.job.fact(need.field) is None:
                self.out(f"   please tell {need.field}: {need.label}, {need.unit}")

    def photo(self, words: list[str]) -> None:
        """Read the step's own quantity."""
        step = self._step()
        if step.quantity is None or step.kind == "typed":
            raise ValueError(f"{step.key}: this step takes no photo; use value or done")
        self._read(step, step.quantity, words)

    def read_as(self, words: list[str]) -> None:
        """Read another quantity that the step accepts."""
        if not words:
            raise ValueError("as: give a quantity and a photo")
        self._read(self._step(), words[0], words[1:])

    def value(self, words: list[str]) -> None:
        """Take a typed figure."""
        step = self._step()
        quantity = step.quantity
        if len(words) == 3:
            quantity, words = words[0], words[1:]
        if quantity is None:
            raise ValueError(f"{step.key}: this step takes no figure; use done")
        if quantity not in UNIT_OF or len(words) != 2:
            raise ValueError("value: give the number and its uncertainty, such as: value 2.00 0.02")
        number, u = (_number(word) for word in words)
        self._tell_result(self.job.typed(step.key, quantity, number, UNIT_OF[quantity], u))

    def correct(self, words: list[str]) -> None:
        """Put a typed figure in place of the last one: a new entry that corrects the old."""
        step = self._step()
        last = [e for e in standing(self.job.entries()) if e.step == step.key and e.kind == "typed"]
        if not last or len(words) != 2:
            raise ValueError("correct: nothing typed in this step, or not a number and uncertainty")
        old, (number, u) = last[-1], (_number(word) for word in words)
        quantity, unit = old.quantity or "", old.unit or ""
        result = self.job.typed(step.key, quantity, number, unit, u, corrects=old.uid)
        self._tell_result(result)

    def turned(self, words: list[str]) -> None:
        """Note that the advised turn was made."""
        step = self._step()
        advice = self.advice or self.job.advice(step.key)
        if advice is None or advice.turn is None:
            raise ValueError("turned: nothing was advised; use tell, done or skip")
        turn = advice.turn
        if words:
            amount = abs(_number(words[0]))
            turn = replace(turn, amount=amount, turns=None, sentence="")
            turn = replace(
                turn,
                sentence=f"{_plain(turn.adjuster_name)}: {turn.direction} "
                f"{amount:g}{UNIT_SIGNS.get(turn.unit, ' ' + turn.unit)}.",
            )
        for moved in self.job.turned(turn, step.key):
            self.out(f"   {'again:' if moved.matters else 'note: '} {moved.sentence}")
        self.advice = None

    def tell(self, words: list[str]) -> None:
        """Take a fact."""
        if len(words) != 2:
            raise ValueError("tell: give a field and a number, such as: tell record_mm 1.8")
        self.job.tell(words[0], _number(words[1]))

    def done(self, words: list[str]) -> None:
        """Confirm the step."""
        step = self._step()
        if step.kind == "derived":
            raise ValueError(f"{step.key}: it is done when nothing is left to check again")
        if step.kind != "confirm" and self.job.state(step.key).entry is None:
            raise ValueError(f"{step.key}: there is no reading to accept; use skip and say why")
        self.job.confirm(step.key, " ".join(words))
        self.at = None

    def skip(self, words: list[str]) -> None:
        """Leave the step out."""
        self.job.skip(self._step().key, " ".join(words))
        self.at = None

    def go(self, words: list[str]) -> None:
        """Go to another step."""
        if len(words) != 1 or words[0] not in STEP_BY_KEY:
            raise ValueError(f"go: got {' '.join(words)!r}, allowed {', '.join(STEP_BY_KEY)}")
        self.at, self.advice = words[0], None

    def order(self, words: list[str]) -> None:
        """Change the order of the steps."""
        self.job.reorder([key for key in ",".join(words).split(",") if key])

    def status(self, _words: list[str]) -> None:
        """Print every step."""
        for state in self.job.states():
            shown = figure_of(state.entry) if state.entry else ""
            self.out(f"   {state.step.key:<18} {state.status:<14} {shown}".rstrip())

    def say_advice(self, _words: list[str]) -> None:
        """Print the advice again."""
        advice = self.job.advice(self._step().key)
        self.out(f"   {advice.sentence if advice else 'Nothing was read yet.'}")

    def help(self, _words: list[str]) -> None:
        """Print the words that are understood."""
        self.out(HELP)

    def _step(self) -> Step:
        state = self.current()
        if state is None:
            raise ValueError("every step is finished; use go STEP to work on one again")
        return state.step

    def _read(self, step: Step, quantity: str, paths: list[str]) -> None:
        from ui.photo_steps import read_photos

        paths = [path for word in paths for path in _paths(word)]
        if not paths:
            raise ValueError("photo: give the path of at least one photo")
        for path in paths:
            if not Path(path).is_file():
                raise ValueError(f"photo: {path} is not a file")
        for number, result in enumerate(read_photos(self.job, step.key, quantity, paths), 1):
            if len(paths) > 1:
                self.out(f"   {'together' if number > len(paths) else paths[number - 1]}:")
            self._tell_result(result, advise=len(paths) in (1, number - 1))

    def _tell_result(self, result: Result, advise: bool = True) -> None:
        entry = result.entry
        self.at = entry.step
        if entry.kind == "refusal":
            self.out(f"   no reading: {entry.note}")
            return
        self.out(f"   {entry.quantity} {figure_of(entry)} (k = 2)")
        if not advise:
            return
        if result.verdict is not None:
            self.out(f"   {result.verdict.sentence}")
        self.advice = result.advice
        if result.advice is None:
            return
        if result.verdict is None or result.verdict.outcome != "within":
            self.out(f"   -> {result.advice.sentence}")
            if result.advice.turn is not None:
                for line in result.advice.cautions:
                    self.out(f"   ! {line}")
        if self.job.state(entry.step).done:
            self.at = None


def run_walk(logbook: Logbook, args: argparse.Namespace) -> int:
    """Run ``deckplumb setup``; returns the exit code."""
    job = _open_job(logbook, args)
    walk = Walk(job)
    print(f"job {job.uid[:8]}: {job.deck.name}. Type help for the words, quit to leave.")
    scripted = args.script is not None
    lines = _script(args.script) if scripted else _typed(walk)
    if not scripted:
        walk.show_step()
    for number, line in enumerate(lines, 1):
        try:
            if not walk.obey(line):
                break
        except ValueError as problem:
            print(f"{f'line {number}: ' if scripted else ''}{problem}", file=sys.stderr)
            if scripted:
                return BAD_USE
            continue
        if not scripted:
            if walk.current() is None:
                break
            walk.show_step()
    left = [s.step.key for s in job.states() if not s.done]
    if args.report is not None:
        from bench.report import write_report

        write_report(job, args.report)
        print(f"report: {args.report}")
    if left:
        print(f"left to do: {', '.join(left)}. Take it up again with --job {job.uid[:8]}")
    else:
        print("Every step is finished.")
    return LEFT if left and scripted else OK


def _open_job(logbook: Logbook, args: argparse.Namespace) -> OpenJob:
    from ui.cli_bench import find_deck

    if args.job:
        return OpenJob.resume(logbook, args.job)
    if not args.deck:
        raise ValueError("--deck or --job: got neither, one is needed (deckplumb log decks lists)")
    deck, key = find_deck(logbook, args.deck)
    return OpenJob.start(logbook, deck, args.title, args.owner, key)


def _script(name: str) -> Iterable[str]:
    if name == "-":
        return sys.stdin
    return Path(name).read_text(encoding="utf-8").splitlines()


def _typed(walk: Walk) -> Iterator[str]:
    while True:
        state = walk.current()
        try:
            yield input(f"{state.step.key if state else 'finished'}> ")
        except (EOFError, KeyboardInterrupt):
            print()
            return


def _words(line: str) -> list[str]:
    """Split a line; quotes group, a backslash is itself, " # " begins a comment."""
    lexer = shlex.shlex(re.sub(r"(^|\s)#(\s.*)?$", "", line), posix=True)
    lexer.whitespace_split, lexer.escape, lexer.commenters = True, "", ""
    return list(lexer)


def _paths(word: str) -> list[str]:
    path = str(Path(word).expanduser())
    return sorted(glob(path)) or [path] if set("*?") & set(word) else [path]


def _number(word: str) -> float:
    try:
        return float(word.replace(",", "."))
    except ValueError as problem:
        raise ValueError(f"got {word!r}, allowed a number") from problem


def _plain(name: str) -> str:
    return name[:1].upper() + name[1:]


_VERBS: dict[str, Callable[[Walk, list[str]], None]] = {
    "photo": Walk.photo,
    "as": Walk.read_as,
    "value": Walk.value,
    "correct": Walk.correct,
    "turned": Walk.turned,
    "tell": Walk.tell,
    "done": Walk.done,
    "skip": Walk.skip,
    "go": Walk.go,
    "order": Walk.order,
    "status": Walk.status,
    "advice": Walk.say_advice,
    "help": Walk.help,
}
