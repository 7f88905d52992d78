"""Random operations of two writers on one history, compared with a model after each.

The reference is ``history_model``, which knows nothing of files and commits. Model-based testing
as in K. Claessen and J. Hughes, "QuickCheck: a lightweight tool for random testing of Haskell
programs", ICFP 2000 (from memory). Its engine is Hypothesis (https://hypothesis.works); DuckDB
(https://duckdb.org) reads the files of the last version with a reader of its own.

``-m proof`` runs ten sequences of 40 operations instead of the three of every day, and with
``HIGHSIDE_STATES=200`` it runs 200 of 60.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import duckdb
import pyarrow as pa
import pyarrow.dataset as ds
import pytest
from deltalake import DeltaTable
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

import optimizer.history.storage.table
import optimizer.intake.settling.load
from optimizer.errors import InputError, LimitError, Overtaken
from optimizer.history.history import History
from optimizer.history.issued import issued_batches
from optimizer.history.issued_numbers import unsettled_ids
from optimizer.history.snapshot import Snapshot
from optimizer.history.storage import commits
from optimizer.history.storage.event_log import Event
from optimizer.history.storage.table import RunTable
from optimizer.history.upkeep import restore, verify
from optimizer.intake.settling.load import LoadOptions, LoadReport, load_table
from optimizer.intake.settling.load_options import Correcting
from optimizer.operations import batches as operation
from optimizer.operations import issuing, recording
from optimizer.operations.corrections import correct, reinstate, withdraw
from optimizer.operations.trial_results import add_result
from optimizer.plant.brief import Brief
from optimizer.plant.site import Site
from tests.history.issued import NOON, SETTINGS, fixed_plan, without_planner
from tests.operations.history_model import (
    DONE,
    DONE_IT,
    EVEN,
    FAILED,
    RUNNING,
    SKIPPED,
    TO_RUN,
    Content,
    Model,
    Place,
)

LONG = int(os.environ.get("HIGHSIDE_STATES", "0"))
SEQUENCES, STEPS = (LONG, 60) if LONG else (10, 40)
FEW = 3
LINES = ("a", "b")
STARTS = (NOON - timedelta(hours=1), NOON)
READINGS = ((0.981, 0.91), (0.974, 0.93), (0.962, 0.88))
PLANNED_AIR, OTHER_AIR, UNNUMBERED_AIR = (34.0, 35.0, 36.0), 41.0, 52.0
LOADED_IDS = ("r1", "r2", "a-1.1", "a-2.1", "b-1.2")
"""Ids of loaded runs; some are those of trials that are issued, or that will be."""
ADDED, KNOWN, CORRECTED, REJECTED = "added", "already_known", "corrected", "rejected"
NOW, BEFORE_COMMIT, BEFORE_PUT = "now", "before the commit", "before the put"
OVERTAKEN = "overtaken"
"""When an operation happens: at once; or in the midst of the next one, before that one writes its
files or before it puts its commit in place."""

COLUMNS = "line, run_id, started_at::varchar, air, grade, recovery, deck_state"
CHANGES: dict[str, Any] = {
    "start": (operation.start_trial, (TO_RUN,), RUNNING),
    "skip": (lambda history, trial: operation.skip_trial(history, trial, "wet"),
             (TO_RUN, RUNNING), SKIPPED),
    "reopen": (operation.reopen_trial, (RUNNING, SKIPPED), TO_RUN),
}  # fmt: skip

T = TypeVar("T")
Act = Callable[[History], object]
Expected = Callable[[], object]

which = st.integers(0, 11)
"""Chooses one of those that there are."""
lines = st.sampled_from(LINES)
loaded_ids = st.sampled_from(LOADED_IDS)
readings = st.sampled_from(READINGS)
whom = st.booleans()
when = st.sampled_from((NOW, NOW, NOW, NOW, BEFORE_COMMIT, BEFORE_PUT))
results = st.builds(
    lambda failed, start, air, reading: (
        (start, air, None, None, "boiling") if failed else (start, air, *reading, EVEN)
    ),
    st.booleans(),
    st.sampled_from(STARTS),
    st.sampled_from((None, OTHER_AIR)),
    readings,
)
"""Contents of runs; without air they have that of the plan."""


def row_of(line: str, run_id: str | None, content: Content) -> dict[str, Any]:
    """The row of a log that holds a run."""
    start, air, grade, recovery, deck_state = content
    return {"run_id": run_id, "line": line, "started_at": start.isoformat(), **SETTINGS,
            "air": air, "grade": grade, "recovery": recovery,
            "deck_state": deck_state}  # fmt: skip


def with_air(content: Content, air: float) -> Content:
    """A content whose air is the planned one where it has none."""
    return (content[0], content[1] or air, *content[2:])


def content_of(run: dict[str, Any]) -> Content:
    return run["started_at"], run["air"], run["grade"], run["recovery"], run["deck_state"]


def outcome(call: Callable[[], object]) -> str:
    """The code of the refusal of an operation, or ``DONE_IT``."""
    try:
        call()
    except InputError as error:
        return error.code
    return DONE_IT


@contextmanager
def no_lock(table: RunTable) -> Iterator[None]:
    """Takes the place of a lock that others do not see; its file shows that a load began."""
    table.place.lock_file.parent.mkdir(parents=True, exist_ok=True)
    table.place.lock_file.touch()
    yield


def became(report: LoadReport) -> str:
    """What became of the one row of a load."""
    counts = {ADDED: report.added, KNOWN: report.already_known, CORRECTED: report.corrected,
              REJECTED: report.rejected}  # fmt: skip
    (found,) = [kind for kind, count in counts.items() if count]
    assert report.read == 1
    return found


class Histories(RuleBasedStateMachine):
    """Two writers of one history, and the model beside it.

    ``whom`` chooses the writer. An operation that does not happen ``NOW`` is done by the other
    writer in the midst of the next operation, after its checks, where no lock holds for both.
    """

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="highside-states-"))
        self.patch = pytest.MonkeyPatch()
        self._make_fast()
        where = self.folder / "history"
        self.writers = [History(where, clock=lambda: NOON) for _ in range(2)]
        self.reader = History(where)
        self.model = Model()
        self.versions: dict[int, Model] = {}
        self.digests: dict[int, str] = {}
        self.queued: tuple[str, Act, Expected] | None = None
        self.overtook = False
        self.steps = 0

    def _make_fast(self) -> None:
        """Plans take no time, writers do not wait, and small files are merged after few commits."""

        def no_plan(*_: Any, **__: Any) -> None:
            raise LimitError("no settings")

        for where, name, value in (
            (issuing, "situation_of", without_planner),
            (issuing, "plan_to_issue", fixed_plan),
            (operation, "LONGEST_PAUSE", 0.0),
            (recording, "suggest", no_plan),
            (optimizer.intake.settling.load, "LONGEST_PAUSE", 0.0),
            (optimizer.history.storage.table, "MOST_SMALL_FILES", 5),
        ):
            self.patch.setattr(where, name, value)

    def teardown(self) -> None:
        try:
            self._act_queued(False)
            self._check_the_end()
        finally:
            self.patch.undo()
            shutil.rmtree(self.folder)

    # -- acting ------------------------------------------------------------------------------

    def act(self, second: bool, moment: str, act: Act, expected: Expected) -> None:
        """Does an operation, or keeps it for the midst of the next one.

        Args:
            second: which writer acts.
            moment: when.
            act: does the operation and returns its answer.
            expected: does it in the model and returns what the answer must be.
        """
        if moment == NOW or self.queued is not None:
            self._do(second, act, expected)
            self._act_queued(not second)
        else:
            self.queued = moment, act, expected

    def _do(self, second: bool, act: Act, expected: Expected) -> None:
        before, raced = self.reader.version, self.queued is not None
        self.overtook = False
        with self._other_in_the_midst(not second):
            answer = act(self.writers[second])
        raced = raced and self.queued is None
        assert answer == expected()
        if answer not in (DONE_IT, ADDED, CORRECTED) and isinstance(answer, str) and not raced:
            assert self.reader.version == before, "what was refused changed the history"
        self._check_latest()

    def _act_queued(self, second: bool) -> None:
        """Does the kept operation, where the one before it came to no commit."""
        if self.queued is not None:
            (_, act, expected), self.queued = self.queued, None
            self._do(second, act, expected)

    @contextmanager
    def _other_in_the_midst(self, second: bool) -> Iterator[None]:
        """The kept operation happens at the first commit meanwhile, as on an object store, where no
        lock holds for other machines."""
        if self.queued is None:
            yield
            return
        places: list[tuple[Any, str]] = [(RunTable, "commit"), (RunTable, "restore")]
        if deep := self.queued[0] == BEFORE_PUT:
            places = [(commits, "append"), (commits, "create"), (DeltaTable, "restore")]
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(RunTable, "lock", no_lock)
            for place, name in places:
                patch.setattr(place, name, self._late(getattr(place, name), second, deep))
            yield

    def _late(self, write: Callable[..., Any], second: bool, deep: bool) -> Callable[..., Any]:
        def after_the_other(*given: Any, **how: Any) -> Any:
            before = self.reader.version
            self._act_queued(second)
            self.overtook |= deep and self.reader.version != before
            return write(*given, **how)

        return after_the_other

    # -- operations --------------------------------------------------------------------------

    @initialize(trials=st.integers(0, 3))
    def begin(self, trials: int) -> None:
        """Most sequences begin with a batch; the others with an empty history."""
        if trials:
            self.issue(False, NOW, "a", trials)

    @rule(second=whom, moment=when, line=lines, trials=st.integers(2, 3))
    def issue(self, second: bool, moment: str, line: str, trials: int) -> None:
        brief = Brief.from_dict({"line": line, "trials": {"count": trials}})
        self.act(
            second,
            moment,
            lambda history: {issuing.issue(history, Site(), brief).issued.batch},
            lambda: {self.model.issue(line, trials)},
        )

    @precondition(lambda self: self.model.batches)
    @rule(second=whom, moment=when, k=which, change=st.sampled_from(tuple(CHANGES)))
    def change_state(self, second: bool, moment: str, k: int, change: str) -> None:
        call, allowed, state = CHANGES[change]
        trial = self._trial(k, allowed)
        self.act(
            second,
            moment,
            lambda history: outcome(lambda: call(history, trial)),
            lambda: self.model.set_state(trial, allowed, state),
        )

    @precondition(lambda self: self.model.batches)
    @rule(second=whom, moment=when, k=which)
    def close(self, second: bool, moment: str, k: int) -> None:
        batch = chosen(tuple(self.model.batches), k, "a-99")
        self.act(
            second,
            moment,
            lambda history: outcome(lambda: operation.close_batch(history, batch)),
            lambda: self.model.close(batch),
        )

    @precondition(lambda self: self.model.batches)
    @rule(second=whom, moment=when, k=which, content=results, planning=st.booleans())
    def record(self, second: bool, moment: str, k: int, content: Content, planning: bool) -> None:
        trial = self._trial(k, (TO_RUN, RUNNING, SKIPPED))
        self._record(second, moment, trial, content, planning)

    @precondition(lambda self: {DONE, FAILED} & {*self.model.states().values()})
    @rule(second=whom, moment=when, k=which, content=results, planning=st.booleans())
    def record_again(
        self, second: bool, moment: str, k: int, content: Content, planning: bool
    ) -> None:
        trial = self._trial(3 * k + 1, (DONE, FAILED))
        self._record(second, moment, trial, content, planning)

    def _record(
        self, second: bool, moment: str, trial: str, content: Content, planning: bool
    ) -> None:
        start, air, grade, recovery, deck_state = content
        result = {"started_at": start.isoformat(), "grade": grade, "recovery": recovery,
                  "deck_state": deck_state,
                  "settings": {} if air is None else {"air": air}}  # fmt: skip

        def act(history: History) -> str:
            try:
                if planning:
                    done = recording.record(history, Site(), result, trial=trial, sure=True)
                    return became(done.load)
                return became(add_result(history, Site(), trial, result))
            except InputError as error:
                return error.code

        run = with_air(content, PLANNED_AIR[int(trial.rpartition(".")[2]) - 1])
        self.act(second, moment, act, lambda: self.model.record(trial, run))

    @rule(second=whom, moment=when, line=lines, run_id=loaded_ids, content=results,
          correcting=st.booleans())  # fmt: skip
    def load(
        self, second: bool, moment: str, line: str, run_id: str, content: Content, correcting: bool
    ) -> None:
        """Some rows are loaded again, are former ones, or dispute a run."""
        run = with_air(content, PLANNED_AIR[0])
        row = row_of(line, run_id, run)
        how = LoadOptions(correcting=Correcting("typo", None) if correcting else None)
        self.act(
            second,
            moment,
            lambda history: became(load_table([row], history, Site(), options=how)),
            lambda: self.model.load((line, run_id), run, correcting),
        )

    @rule(second=whom, moment=when, line=lines, reading=readings)
    def load_without_id(self, second: bool, moment: str, line: str, reading: Any) -> None:
        run = (NOON, UNNUMBERED_AIR, *reading, EVEN)

        def expected() -> str:
            if self.model.knows(line, run):
                return KNOWN
            (place,) = set(self._runs(self.reader.at())) - set(self.model.runs)
            self.model.runs[place] = run
            return ADDED

        self.act(
            second,
            moment,
            lambda history: became(load_table([row_of(line, None, run)], history, Site())),
            expected,
        )

    @precondition(lambda self: self.model.runs or self.model.withdrawn)
    @rule(second=whom, moment=when, k=which, new=results)
    def correct(self, second: bool, moment: str, k: int, new: Content) -> None:
        place = self._place(k, self.model.runs)
        values = dict(zip(("grade", "recovery", "deck_state"), new[2:], strict=True))

        def expected() -> str:
            old = self.model.runs.get(place, new)
            return self.model.correct(place, (*old[:2], *new[2:]))

        self.act(
            second,
            moment,
            lambda history: outcome(
                lambda: correct(history, None, place[1], values, reason="typo", line=place[0])
            ),
            expected,
        )

    @precondition(lambda self: self.model.runs or self.model.withdrawn)
    @rule(second=whom, moment=when, k=which)
    def withdraw(self, second: bool, moment: str, k: int) -> None:
        line, run_id = place = self._place(k, self.model.runs)
        self.act(
            second,
            moment,
            lambda history: outcome(
                lambda: withdraw(history, None, run_id, reason="typo", line=line)
            ),
            lambda: self.model.withdraw(place),
        )

    @precondition(lambda self: self.model.runs or self.model.withdrawn)
    @rule(second=whom, moment=when, k=which)
    def reinstate(self, second: bool, moment: str, k: int) -> None:
        line, run_id = place = self._place(k, self.model.withdrawn)
        self.act(
            second,
            moment,
            lambda history: outcome(
                lambda: reinstate(history, None, run_id, reason="right", line=line)
            ),
            lambda: self.model.reinstate(place),
        )

    @precondition(lambda self: len(self.versions) > 2)
    @rule(second=whom, moment=when, k=which)
    def restore(self, second: bool, moment: str, k: int) -> None:
        known = sorted(self.versions)[:-1]
        version = known[k % len(known)]

        def act(history: History) -> str:
            try:
                restore(history, version)
            except Overtaken:
                return OVERTAKEN
            return DONE_IT

        def expected() -> str:
            if self.overtook:
                return OVERTAKEN  # it is not repeated: it would take back what it did not know
            self.model = self.model.restored(self.versions[version])
            return DONE_IT

        self.act(second, moment, act, expected)

    @precondition(lambda self: len(self.versions) > 1)
    @rule(second=whom, k=which, noting=st.booleans())
    def act_on_what_was_overtaken(self, second: bool, k: int, noting: bool) -> None:
        line, run_id = self._place(k, self.model.runs)
        known = sorted(self.versions)[:-1]
        event, follows = Event("closed", NOON, None, {}), known[-1 - k % len(known)]
        writer, before = self.writers[second], self.reader.version
        act = (
            partial(writer.note, [event], follows, pa.schema([]))
            if noting
            else partial(writer.change, [event], follows, left_out={line: [run_id]})
        )
        with pytest.raises(Overtaken):
            act()
        assert self.reader.version == before

    # -- comparing ---------------------------------------------------------------------------

    @invariant()
    def an_earlier_version_stays(self) -> None:
        self.steps += 1
        if self.digests and self.steps % 3 == 0:
            version = sorted(self.digests)[7 * self.steps % len(self.digests)]
            assert digest(self.reader.at(version)) == self.digests[version], version

    def _check_latest(self) -> None:
        """What the latest version holds is what the model holds."""
        now = self.reader.at()
        assert self._runs(now) == self.model.runs
        batches = issued_batches(now, Site())
        assert {t.trial: t.state for b in batches for t in b.trials} == self.model.states()
        closed = self.model.closed()
        assert {b.batch: b.closed_at is not None for b in batches} == closed
        still_open = {each for line in now.lines for each in unsettled_ids(now, line)}
        with_runs = {b.batch for b in batches if b.line in now.lines}
        assert still_open == {each for each in with_runs if not closed[each]}
        if now.version is not None:
            for version in range(max(self.digests, default=-1) + 1, now.version + 1):
                held = now if version == now.version else self.reader.at(version)
                self.digests[version] = digest(held)
            self.versions[now.version] = self.model.copy()

    @staticmethod
    def _runs(snapshot: Snapshot) -> dict[Place, Content]:
        """The runs of a version; asserts that none is there twice."""
        rows = snapshot.runs().to_pylist()
        found = {(row["line"], row["run_id"]): content_of(row) for row in rows}
        assert len(found) == len(rows), "a run is there twice"
        return found

    def _check_the_end(self) -> None:
        """Every version is as it was, and other readers find in the files what is exported."""
        for version, before in self.digests.items():
            assert digest(self.reader.at(version)) == before, version
        health = verify(self.reader)
        assert health.sound, health
        assert health.odd_ids == 0
        assert health.runs == len(self.model.runs)
        if not self.model.runs:
            return
        path = self.folder / "runs.parquet"
        self.reader.at().export(path)
        exported = sorted(duckdb.read_parquet(str(path)).select(COLUMNS).fetchall())
        table = DeltaTable(str(self.folder / "history"))
        stored = duckdb.read_parquet(table.file_uris(), hive_partitioning=True, union_by_name=True)
        assert sorted(stored.select(COLUMNS).fetchall()) == exported
        by_arrow = ds.dataset(table.file_uris(), partitioning="hive").to_table()
        assert places_in(by_arrow) == sorted(self.model.runs)

    # -- choosing ----------------------------------------------------------------------------

    def _trial(self, k: int, likely: Sequence[str]) -> str:
        """A trial; two times in three one in a likely state, where there is one."""
        states = self.model.states()
        fit = [trial for trial, state in states.items() if state in likely] if k % 3 else []
        return chosen(fit or tuple(states), k, "a-99.1")

    def _place(self, k: int, likely: Collection[Place]) -> Place:
        """A run; two times in three one of the likely ones, where there is one."""
        known = sorted({*self.model.runs, *self.model.withdrawn})
        fit = sorted(likely) if k % 3 else []
        return chosen(fit or known, k, ("a", "r9"))


def chosen(known: Sequence[T], k: int, unknown: T) -> T:
    """One of those that there are; one time in twelve, and where there is none, an unknown one."""
    return known[k % len(known)] if known and k else unknown


def places_in(table: pa.Table) -> list[Place]:
    """Lines and ids of the runs of a table, sorted."""
    return sorted(zip(table["line"].to_pylist(), table["run_id"].to_pylist(), strict=True))


def digest(snapshot: Snapshot) -> str:
    """All runs, batches and events of a version, as a hash."""
    held = snapshot.runs().to_pylist(), issued_batches(snapshot, Site()), snapshot.events
    return hashlib.sha256(repr(held).encode()).hexdigest()


@pytest.mark.parametrize("sequences", [FEW, pytest.param(SEQUENCES, marks=pytest.mark.proof)])
def test_a_history_holds_what_the_model_holds_after_any_operations(sequences: int) -> None:
    run_state_machine_as_test(
        Histories,
        settings=settings(
            max_examples=sequences,
            stateful_step_count=STEPS,
            deadline=None,
            derandomize=not LONG,
            database=None,
            # Shortening a failed sequence takes minutes.
            phases=[Phase.generate, *([Phase.shrink] if LONG else [])],
            suppress_health_check=list(HealthCheck),
        ),
    )
