import threading
from collections.abc import Iterator
from pathlib import Path
from queue import Empty

import pytest
from kombu import Connection

from registry.config import celery

N_SENDERS = 3
N_EACH = 60


@pytest.fixture
def connect(tmp_path: Path) -> Iterator[object]:
    folders = {
        "data_folder_in": tmp_path / "messages",
        "data_folder_out": tmp_path / "messages",
        "processed_folder": tmp_path / "taken",
        "control_folder": tmp_path / "control",
    }
    for folder in folders.values():
        folder.mkdir(exist_ok=True)
    options = {name: str(folder) for name, folder in folders.items()}
    assert celery.TRANSPORT_ALIASES["folder"]
    open_connections: list[Connection] = []

    def connect() -> Connection:
        connection = Connection("folder://here", transport_options=options)
        open_connections.append(connection)
        return connection

    yield connect
    for connection in open_connections:
        connection.release()


def test_a_message_comes_out_as_it_went_in_and_leaves_no_file(connect, tmp_path):
    queue = connect().SimpleQueue("jobs")

    queue.put({"id": 7, "note": "Grüße ✓"})

    message = queue.get(timeout=5)
    message.ack()
    assert message.payload == {"id": 7, "note": "Grüße ✓"}
    assert list((tmp_path / "messages").iterdir()) == []
    assert list((tmp_path / "taken").iterdir()) == []


def test_messages_leave_in_the_order_in_which_they_came(connect):
    queue = connect().SimpleQueue("jobs")
    for number in range(20):
        queue.put(number)

    received = [queue.get(timeout=5).payload for _ in range(20)]

    assert received == list(range(20))


def test_queues_in_one_folder_do_not_mix(connect):
    connection = connect()
    connection.SimpleQueue("jobs").put("for jobs")

    with pytest.raises(Empty):
        connection.SimpleQueue("other").get(block=False)

    assert connection.SimpleQueue("jobs").get(timeout=5).payload == "for jobs"


def test_two_takers_get_every_message_whole_and_once_while_it_is_still_being_sent(connect):
    received: list[list[int]] = []
    all_here = threading.Event()

    def send(sender: int) -> None:
        queue = connect().SimpleQueue("jobs")
        for number in range(N_EACH):
            # Long enough that a writer would need more than one block.
            queue.put([sender, number, "x" * 20_000])

    def take() -> None:
        queue = connect().SimpleQueue("jobs")
        while not all_here.is_set():
            try:
                message = queue.get(timeout=0.05)
            except Empty:
                continue
            message.ack()
            received.append(message.payload[:2])
            if len(received) >= N_SENDERS * N_EACH:
                all_here.set()

    threads = [threading.Thread(target=send, args=(n,)) for n in range(N_SENDERS)]
    threads += [threading.Thread(target=take) for _ in range(2)]
    for thread in threads:
        thread.start()
    finished = all_here.wait(30)
    all_here.set()
    for thread in threads:
        thread.join()

    assert finished
    assert sorted(received) == [[s, n] for s in range(N_SENDERS) for n in range(N_EACH)]
