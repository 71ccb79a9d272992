"""Someone who looks at the pages without a browser: speaks to their server as a browser does."""

from __future__ import annotations

import os
import time
from pathlib import Path
from types import TracebackType
from typing import Any
from urllib.parse import urlsplit

from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from streamlit.proto.WidgetStates_pb2 import WidgetState
from websockets.sync.client import connect

PATIENCE_S = 20.0
LARGEST_MESSAGE = 200_000_000


class Visitor:
    """One open page: what was sent to it, and what it could choose."""

    def __init__(self, address: str) -> None:
        host = urlsplit(address).netloc
        self._socket = connect(
            f"ws://{host}/_stcore/stream",
            subprotocols=["streamlit"],  # type: ignore[list-item]
            max_size=LARGEST_MESSAGE,
            open_timeout=PATIENCE_S,
        )
        self._address = address
        self._page, self._query = "", ""
        self._kept: dict[str, ForwardMsg] = {}
        self.received_bytes = 0
        self.elements: list[tuple[str, Any, str]] = []
        """Kind, content and fragment of what the last run drew."""

    def __enter__(self) -> Visitor:
        """Return itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        """Leave."""
        self._socket.close()

    def open(self, path: str) -> None:
        """Go to a page by its address, and wait for its end."""
        self._page, _, self._query = path.partition("?")
        self.run()

    def run(self, *changed: WidgetState, fragment: str = "") -> None:
        """Run the page once more, with something changed or nothing.

        Raises TimeoutError when it does not end in a minute.
        """
        asked = BackMsg()
        state = asked.rerun_script
        state.page_name, state.query_string = self._page, self._query
        state.fragment_id = fragment
        state.context_info.url = f"{self._address}/{self._page}"
        state.context_info.timezone = "UTC"
        state.cached_message_hashes.extend(self._kept)
        state.widget_states.widgets.extend(changed)
        self._socket.send(asked.SerializeToString())
        self.received_bytes, self.elements = 0, []
        until = time.monotonic() + PATIENCE_S
        while True:
            data = self._socket.recv(timeout=until - time.monotonic())
            assert isinstance(data, bytes)
            self.received_bytes += len(data)
            if self._heard(ForwardMsg.FromString(data)):
                return

    def _heard(self, said: ForwardMsg) -> bool:
        """Take in a message; return whether it was the last of the run."""
        kind = said.WhichOneof("type")
        if kind == "ref_hash":
            said = self._kept[said.ref_hash]
            kind = said.WhichOneof("type")
        elif said.metadata.cacheable:
            self._kept[said.hash] = said
        if kind == "page_info_changed":
            self._query = said.page_info_changed.query_string
        if kind == "delta" and said.delta.WhichOneof("type") == "new_element":
            element = said.delta.new_element
            drawn = str(element.WhichOneof("type"))
            self.elements.append((drawn, getattr(element, drawn), said.delta.fragment_id))
        return kind == "script_finished" and said.script_finished in (
            ForwardMsg.FINISHED_SUCCESSFULLY,
            ForwardMsg.FINISHED_FRAGMENT_RUN_SUCCESSFULLY,
        )

    def choices(self) -> list[tuple[str, WidgetState, str]]:
        """Return what could be chosen instead: the label, the choice and its fragment."""
        found = []
        for kind, element, fragment in self.elements:
            if kind == "selectbox":
                found += [
                    (element.label, WidgetState(id=element.id, string_value=option), fragment)
                    for option in element.options
                ]
            if kind == "button_group":
                for option in element.options:
                    state = WidgetState(id=element.id)
                    state.string_array_value.data.append(option.content)
                    found.append((element.label, state, fragment))
        return found


def processor_s(process: int) -> float:
    """Return the processor seconds that a process has used, to the microsecond."""
    # The kernel's number of the clock of another process (clock_getcpuclockid).
    return time.clock_gettime((~process << 3) | 2)


def memory_mb(process: int) -> float:
    """Return the memory that a process holds."""
    pages = int(Path(f"/proc/{process}/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6
