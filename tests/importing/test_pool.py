"""Real importers do their worst in real processes; only their own file is refused."""

import itertools
import os
import pickle
import random
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import psutil
import pytest

from speclake.errors import BadSettings, ImporterFailed, NoImporter
from speclake.importing import GuardedPool, Importers, load
from speclake.importing.pool import Pause
from tests.importing import work
from tests.importing.plugin_files import ONE_SPECTRUM, plugin

EVIL = {
    "raises": "raise ValueError('no number')\nyield",
    "nonsense": "return [3]",
    "exits": "import os; os._exit(3)",
    "exits0": "import os; os._exit(0)",
    "crashes": "import os, signal; os.kill(os.getpid(), signal.SIGSEGV)",
    "hangs": "while True: pass",
    "holds": "import re; re.match('(a+)+$', 'a' * 60 + 'b')",  # in C, where no thread gets a turn
    "forks": "import subprocess; subprocess.run(['sleep', '3600'])",
    "hoards": "hoard = []\nwhile True: hoard.append(bytearray(2**20))",
    "leaves": "import sys; sys.exit(7)",
    "interrupts": "raise KeyboardInterrupt",
    "endless": "import itertools\n"
    "for i in itertools.count():\n"
    "    yield Spectrum.as_listed([1.0], [1.0], axis_unit='nm', unit='%T', place=str(i))",
    "prints": f"print('A' * 100_000, flush=True)\n{ONE_SPECTRUM}",
    "writes": f"import os; os.write(1, b'A' * 100_000)\n{ONE_SPECTRUM}",
    "asks": "yield input()",
    "deaf": "import signal\nsignal.signal(signal.SIGTERM, signal.SIG_IGN)\nwhile True: pass",
    "cuts": "import os, time\nos.closerange(3, 100)\ntime.sleep(3600)",
}


def pool(archive: Path, **limits: float) -> GuardedPool[Importers]:
    """Pool whose workers load the importers of an archive's own folder."""
    return GuardedPool(
        initializer=load,
        initargs=(archive / "plugins",),
        time_limit_s=limits.get("time_limit_s", 1.0),
        memory_limit_mb=int(limits.get("memory_limit_mb", 200)),
        workers=int(limits.get("workers", 2)),
        chunk=int(limits.get("chunk", 32)),
    )


def exports(archive: Path, beginnings: list[str]) -> list[Path]:
    """Files that begin with the names of the importers that shall claim them."""
    folder = archive / "exports"
    folder.mkdir()
    paths = [folder / f"{n:03d}-{beginning}.txt" for n, beginning in enumerate(beginnings)]
    for path, beginning in zip(paths, beginnings, strict=True):
        path.write_text(f"{beginning}\n", "utf-8")
    return paths


def refusals(archive: Path, paths: list[Path], **limits: float) -> dict[str, str]:
    """Reason of each refusal by the name of its file; every file must come back once."""
    with pool(archive, **limits) as guarded:
        results = list(guarded.map(work.read_one, paths, name=lambda path: path.name))
    assert sorted(result.item for result in results) == sorted(paths)
    assert all(result.value == 1 for result in results if result.error is None)
    return {result.item.name: str(result.error) for result in results if result.error is not None}


@pytest.mark.parametrize(
    ("evil", "what_happened"),
    [
        ("raises", "raised ValueError: no number"),
        ("nonsense", "gave as spectrum 1 3 (int), which is no speclake.spectrum.Spectrum"),
        ("exits", "ended the interpreter (exit code 3)"),
        ("exits0", "ended the interpreter (exit code 0)"),
        ("crashes", "ended the interpreter (signal 11, SIGSEGV)"),
        ("hangs", "hung longer than 1 s"),
        ("holds", "hung longer than 1 s"),
        ("deaf", "hung longer than 1 s"),
        ("forks", "hung longer than 1 s"),
        ("hoards", "needed more than 200 MB of memory"),
        ("endless", ""),
        ("leaves", "raised SystemExit: 7"),
        ("asks", "raised EOFError"),
        ("interrupts", "raised KeyboardInterrupt"),
        ("cuts", "cut off its process from the others"),
    ],
)
def test_an_evil_importer_refuses_its_file_and_stops_nothing_else(tmp_path, evil, what_happened):
    plugin(tmp_path / "plugins", "sound")
    plugin(tmp_path / "plugins", evil, EVIL[evil])
    paths = exports(tmp_path, ["sound"] * 40 + [evil] + ["sound"] * 40)
    found = refusals(tmp_path, paths)
    assert list(found) == [f"040-{evil}.txt"]
    assert found[f"040-{evil}.txt"].startswith(f"040-{evil}.txt: importer {evil!r} {what_happened}")
    if evil == "endless":
        assert found["040-endless.txt"].endswith(
            ("hung longer than 1 s", "needed more than 200 MB of memory")
        )


@pytest.mark.parametrize("noisy", ["prints", "writes"])
def test_an_importer_may_print_without_disturbing_anybody(tmp_path, capfd, noisy):
    plugin(tmp_path / "plugins", noisy, EVIL[noisy])
    assert refusals(tmp_path, exports(tmp_path, [noisy] * 3)) == {}
    assert capfd.readouterr().out == ""


def test_many_evil_files_among_many_are_each_refused_for_their_own_reason(tmp_path):
    for name in ("exits", "hoards", "raises"):
        plugin(tmp_path / "plugins", name, EVIL[name])
    plugin(tmp_path / "plugins", "sound")
    paths = exports(tmp_path, ["sound", "exits", "sound", "hoards", "sound", "raises"] * 4)
    found = refusals(tmp_path, paths, time_limit_s=20)
    assert sorted(found) == [p.name for p in paths if not p.name.endswith("sound.txt")]
    assert all("exit code 3" in why for file, why in found.items() if "exits" in file)
    assert all("200 MB" in why for file, why in found.items() if "hoards" in file)


def test_a_sniff_that_hangs_is_named(tmp_path):
    plugin(tmp_path / "plugins", "slow", sniff="while True: pass")
    (why,) = refusals(tmp_path, exports(tmp_path, ["sound"])).values()
    assert why == "000-sound.txt: importer 'slow' hung longer than 1 s"


def test_a_known_error_comes_back_as_it_is(tmp_path):
    plugin(tmp_path / "plugins", "sound")
    with pool(tmp_path) as guarded:
        (result,) = guarded.map(work.read_one, exports(tmp_path, ["other"]))
    assert type(result.error) is NoImporter
    assert "sound: no, it does not begin with sound" in str(result.error)


def plain(**limits: float) -> GuardedPool[None]:
    """Pool with nothing to prepare."""
    return GuardedPool(
        initializer=work.nothing,
        workers=int(limits.get("workers", 2)),
        time_limit_s=limits.get("time_limit_s", 20.0),
        chunk=int(limits.get("chunk", 32)),
    )


def test_every_result_comes_once_and_with_its_item():
    with plain() as guarded:
        results = list(guarded.map(work.double, range(1000)))
        again = list(guarded.map(work.double, ["a", "b"]))
        none = list(guarded.map(work.double, []))
    assert sorted((result.item, result.value) for result in results) == [
        (number, 2 * number) for number in range(1000)
    ]
    assert {result.value for result in again} == {"aa", "bb"}
    assert none == []


def test_a_few_items_are_spread_over_the_workers():
    with plain() as guarded:
        results = list(guarded.map(work.sleep_and_tell, [0.5] * 4))
    assert len({result.value for result in results}) == 2


def test_a_slow_chunk_is_no_hung_one():
    with plain(workers=1, time_limit_s=1.0) as guarded:
        results = list(guarded.map(work.sleep, [0.4] * 7))
    assert [result.error for result in results] == [None] * 7


def test_an_item_may_take_any_time_as_long_as_it_gives_signs_of_life():
    heard: list[tuple[int, int, int]] = []
    with plain(workers=1, time_limit_s=1.0) as guarded:
        results = guarded.stream(
            work.tell_and_sleep,
            [1, 8],
            on_progress=lambda item, how_far: heard.append((item, how_far.spectra, how_far.bytes)),
        )
        assert [r.value for r in results if r is not None] == [1, 8]
    assert heard == [(1, 1, 10), *((8, n, 10 * n) for n in range(1, 9))]


def test_an_item_that_gives_signs_of_life_and_then_hangs_is_ended():
    with plain(workers=1, time_limit_s=1.0) as guarded:
        (result,) = guarded.map(work.tell_and_hang, [2])
        assert isinstance(result.error, ImporterFailed)
        assert result.error.what_happened == "hung longer than 1 s"
        (after,) = guarded.map(work.double, [1])
    assert after.value == 2


def test_signs_of_life_call_off_the_end_that_the_system_would_make():
    """The system ends a worker 7 s after the last sign, where the limit is 1 s."""
    with plain(workers=1, time_limit_s=1.0) as guarded:
        (result,) = guarded.map(work.tell_and_sleep, [24])
    assert result.value == 24


def test_a_long_item_travels_alone():
    def chunks(items: list[int]) -> list[tuple[int, ...]]:
        with plain(workers=1, chunk=8) as guarded:
            made = guarded._chunks(items, lambda item: item >= 100)
            return list(itertools.takewhile(bool, made))

    made = chunks([1, 2, 3, 100, 4, 101, 102, 5])
    assert sorted(item for chunk in made for item in chunk) == [1, 2, 3, 4, 5, 100, 101, 102]
    assert [chunk for chunk in made if max(chunk) >= 100] == [(100,), (101,), (102,)]
    assert chunks([100, 101]) == [(100,), (101,)]


def test_items_are_pulled_no_faster_than_results_are_taken():
    pulled = 0

    def items() -> Iterator[int]:
        nonlocal pulled
        for number in range(100_000):
            pulled = number
            yield number

    with plain(chunk=4) as guarded:
        results = guarded.map(work.double, items())
        for taken, _ in zip(range(2000), results, strict=False):
            assert pulled <= taken + 3 * 2 * 4 + 4
        results.close()


def test_a_slow_item_holds_up_none_that_comes_later(tmp_path):
    go_on = tmp_path / "go on"

    def items() -> Iterator[Path | Pause]:
        yield go_on
        for _ in range(3):
            yield Pause.PAUSE
        yield tmp_path
        while True:
            yield Pause.PAUSE

    order = []
    with plain() as guarded:
        for result in guarded.stream(work.wait_for, items(), tick_s=0.05):
            if result is not None:
                assert result.error is None
                order.append(result.item)
                go_on.touch()
    assert order == [tmp_path, go_on]


def test_a_stop_gives_grace_to_what_is_under_way_and_drops_the_rest(tmp_path):
    stop, never = threading.Event(), tmp_path / "never"
    with plain(chunk=4) as guarded:
        results = guarded.stream(
            work.wait_for, [tmp_path, *[never] * 100], tick_s=0.05, stop=stop, grace_s=0.3
        )
        assert next(result for result in results if result is not None).item == tmp_path
        stop.set()
        started = time.monotonic()
        assert [result for result in results if result is not None] == []
        assert 0.2 < time.monotonic() - started < 3
        (after,) = guarded.map(work.double, [1])
    assert after.value == 2


def test_a_worker_ended_from_outside_costs_no_file(tmp_path):
    with plain() as guarded:
        results = list(guarded.map(work.end_once, [tmp_path / str(n) for n in range(5)]))
    assert [result.value for result in results] == ["done"] * 5


def test_nothing_is_lost_or_doubled_while_workers_are_killed_at_random():
    chance = random.Random(5)
    results = []
    with plain() as guarded:
        for number, result in enumerate(guarded.map(work.slowly_double, range(3000))):
            results.append(result)
            if number % 150 == 75:
                for worker in workers_of(psutil.Process())[: chance.randint(1, 2)]:
                    with suppress(psutil.Error):
                        worker.kill()
    assert sorted(result.item for result in results) == list(range(3000))
    assert all(result.error or result.value == 2 * result.item for result in results)
    # only one that was hit twice, the second time alone, may be refused
    assert sum(result.error is not None for result in results) < 10


def test_an_idle_worker_ended_from_outside_is_replaced():
    with plain(workers=1) as guarded:
        (first,) = guarded.map(work.process_id, [0])
        assert first.value is not None
        os.kill(first.value, signal.SIGKILL)
        psutil.wait_procs([psutil.Process(first.value)], timeout=5)
        (second,) = guarded.map(work.process_id, [0])
    assert second.error is None
    assert second.value != first.value


def test_a_file_is_not_blamed_for_what_another_one_left_behind():
    items = ["a", "spoiler", "victim", "b"] * 5
    with plain(workers=1, chunk=20) as guarded:
        results = list(guarded.map(work.second_of_two, items))
    assert [result.error for result in results] == [None] * 20
    assert sorted(result.item for result in results) == sorted(items)


@pytest.mark.parametrize(("thing", "reason"), [("there", "leave its"), ("half", "be read back")])
def test_what_cannot_travel_is_refused_alone(thing, reason):
    with plain() as guarded:
        results = list(guarded.map(work.give, ["a"] * 10 + [thing] + ["a"] * 10))
    (refused,) = [result for result in results if result.error is not None]
    assert refused.item == thing
    assert reason in str(refused.error)
    assert len(results) == 21


def test_a_mistake_of_the_function_comes_with_its_traceback():
    with plain() as guarded:
        results = {result.item: result for result in guarded.map(work.refuse, ["known", "other"])}
    assert type(results["known"].error) is BadSettings
    assert results["known"].traceback == ""
    assert (
        str(results["other"].error)
        == "other: reading it raised ValueError: a mistake of the program"
    )
    assert "in refuse" in results["other"].traceback


@pytest.mark.parametrize(
    ("how", "error", "message", "starts"),
    [
        ("known", BadSettings, "a.toml, line 3", 1),
        ("raises", RuntimeError, "a worker cannot start: it raised ValueError: no such thing", 1),
        ("exits", RuntimeError, "a worker cannot start: it ended the interpreter .exit code 4", 3),
        ("hangs", RuntimeError, "a worker cannot start: it hung longer than 3 s", 1),
    ],
)
def test_a_worker_that_cannot_start_says_why(tmp_path, how, error, message, starts):
    mark = tmp_path / "mark"
    with (
        GuardedPool(
            initializer=work.start_badly,
            initargs=(how, mark),
            workers=1,
            start_limit_s=3.0 if how == "hangs" else 60.0,
        ) as guarded,
        pytest.raises(error, match=message),
    ):
        list(guarded.map(work.double, [1, 2]))
    assert mark.stat().st_size == starts


def test_a_start_cut_off_by_chance_is_tried_again(tmp_path):
    mark = tmp_path / "mark"
    with GuardedPool(initializer=work.start_badly, initargs=("chance", mark), workers=1) as guarded:
        (result,) = guarded.map(work.double, [1])
    assert result.value == 2


def test_an_importer_that_ends_the_interpreter_while_it_is_loaded_is_named(tmp_path):
    (plugin(tmp_path / "plugins", "lab")).write_text("import os; os._exit(5)")
    with pool(tmp_path) as guarded, pytest.raises(ImporterFailed) as caught:
        list(guarded.map(work.read_one, exports(tmp_path, ["lab"])))
    assert str(caught.value) == (
        "the start of a worker: importer 'lab' ended the interpreter (exit code 5)"
    )


def test_a_function_that_no_worker_can_import_is_a_mistake_told_at_once():
    with plain() as guarded:
        with pytest.raises((AttributeError, pickle.PicklingError), match="lambda"):
            guarded.map(lambda _state, item: item, [1])
        with pytest.raises(ValueError, match="which a worker cannot import"):
            guarded.map(work.of_the_program(), [1])


def test_a_closed_pool_says_so():
    with plain() as guarded:
        pass
    with pytest.raises(RuntimeError, match="closed"):
        guarded.map(work.double, [1])


def workers_of(process: psutil.Process) -> list[psutil.Process]:
    """Worker processes below a process."""
    return [child for child in process.children() if _is_worker(child)]


def _is_worker(process: psutil.Process) -> bool:
    try:
        return any("speclake.importing.worker" in word for word in process.cmdline())
    except psutil.Error:  # it has just ended
        return False


def test_closing_ends_every_worker_at_once_whatever_it_does(tmp_path):
    marks = [tmp_path / "1", tmp_path / "2"]
    guarded = plain(time_limit_s=3600)
    results = guarded.map(work.claim_and_sleep, marks)
    raised: list[str] = []

    def take() -> None:
        with pytest.raises(RuntimeError) as caught:
            list(results)
        raised.append(str(caught.value))

    thread = threading.Thread(target=take)
    thread.start()
    while not all(mark.exists() and mark.read_text() for mark in marks):
        time.sleep(0.01)
    started = time.monotonic()
    guarded.close()
    took = time.monotonic() - started
    thread.join()
    assert took < 2
    assert raised == ["the pool was closed before all was done"]
    assert not any(psutil.pid_exists(int(mark.read_text())) for mark in marks)
    assert workers_of(psutil.Process()) == []


def test_an_abandoned_iterator_ends_what_is_under_way():
    with plain(workers=1, time_limit_s=3600) as guarded:
        results = guarded.map(work.sleep, [0.0, 3600.0])
        assert next(results).value == 0.0
        results.close()
        (after,) = guarded.map(work.double, [1])
    assert after.value == 2


PROGRAM = """
import sys
from pathlib import Path
from speclake.importing import GuardedPool
from tests.importing import work
with GuardedPool(initializer=work.nothing, time_limit_s=2.0) as pool:
    for result in pool.map(work.claim_and_sleep, [Path(a) for a in sys.argv[1:]]):
        print(result)
"""


@pytest.mark.parametrize("end", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_workers_do_not_outlive_their_parent(tmp_path, end):
    marks = [tmp_path / "1", tmp_path / "2"]
    # it also shows that the program's own file needs no guard against being run again
    program = tmp_path / "program.py"
    program.write_text(PROGRAM)
    parent = subprocess.Popen(
        [sys.executable, program, *marks],
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    while not all(mark.exists() and mark.read_text() for mark in marks):
        time.sleep(0.01)
    workers = [psutil.Process(int(mark.read_text())) for mark in marks]
    parent.send_signal(end)
    out, _ = parent.communicate(timeout=10)
    assert out == b""
    _, alive = psutil.wait_procs(workers, timeout=5)
    assert alive == []


def test_a_worker_that_cannot_look_for_its_parent_is_ended_by_the_system():
    with plain(workers=1, time_limit_s=1.0) as guarded:
        (result,) = guarded.map(work.remaining_timer_s, [0])
        assert 0 < result.value <= 2 * 1.0 + 5


def test_workers_are_deaf_to_signals_that_mean_their_parent():
    with plain(workers=1) as guarded:
        (first,) = guarded.map(work.process_id, [0])
        assert first.value is not None
        os.kill(first.value, signal.SIGINT)
        os.kill(first.value, signal.SIGTERM)
        (second,) = guarded.map(work.process_id, [0])
    assert second.value == first.value


def test_limits_that_allow_nothing_are_a_mistake():
    for wrong in ({"workers": 0}, {"chunk": 0}, {"time_limit_s": 0.0}):
        with pytest.raises(ValueError, match="above zero"):
            plain(**wrong)
