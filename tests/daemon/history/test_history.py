"""Reading beside a daemon that writes."""

from pathlib import Path

from boxes.passes import Passes
from laneproof.history.history import History
from laneproof.history.store import Store


def test_a_reader_reads_what_the_store_holds(tmp_path: Path) -> None:
    path = str(tmp_path / "history.db")
    store, passes = Store.open(path), Passes().errors("0000:00/01.1", BadTLP=2)
    store.add_pass(passes.take())
    store.add_pass(passes.wait(60).without_drive(1).take())
    store.save_state("ledger", {"a": 1})
    store.flush()
    history = History.open(path)
    assert history.read_series() == store.read_series()
    assert history.read_events() == store.read_events()
    assert history.read_inventories() == store.read_inventories()
    assert history.load_state("ledger") == {"a": 1}
    assert history.read_origins() == store.read_origins()
    assert history.read_findings() == ()
    history.close()
    store.close()
