"""The packaged network, opened in a thread of its own while the program gets on with other things.

Opening it (hashing 15 MB, laying out the graph) holds no lock of the interpreter and takes about as long as importing
the decoder and decoding a photo, so a single question is answered sooner when both go on side by side.
"""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

from .runtime import Network, RawOutputs, packaged_network

if TYPE_CHECKING:
    from .answer import ModelId
    from .frame import NetInput
    from .spec import ModelSpec


class NetworkAhead:
    """A ``Network`` that is being opened from the moment it is made; whoever uses it first waits for the rest.

    Args:
        threads: of the packaged network.
    """

    def __init__(self, threads: int = 1) -> None:
        self._opened: Network | None = None
        self._fault: Exception | None = None
        # Not a daemon: the interpreter must not be torn down while the runtime is still building the graph.
        self._thread = threading.Thread(target=self._open, args=(threads,), name="network-ahead")
        self._thread.start()

    @property
    def spec(self) -> ModelSpec:
        """See ``Network``.

        Raises:
            ModelFileError: when the packaged file is missing, altered or cannot be used.
        """
        return self._network().spec

    @property
    def model_id(self) -> ModelId:
        """See ``Network``.

        Raises:
            ModelFileError: as ``spec``.
        """
        return self._network().model_id

    def run(self, image: NetInput) -> RawOutputs:
        """See ``Network.run``.

        Raises:
            ModelFileError: as ``spec``, and as ``Network.run``.
        """
        return self._network().run(image)

    def _open(self, threads: int) -> None:
        try:
            self._opened = packaged_network(threads)
        except Exception as error:  # kept for whoever uses it: a thread has nobody to tell
            self._fault = error

    def _network(self) -> Network:
        self._thread.join()
        if self._opened is None:
            raise self._fault or RuntimeError("the network was not opened")
        return self._opened
