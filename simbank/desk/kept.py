"""What tabs worked on that were closed or lost their connection: kept for hours, so that the same tab finds it again; nothing runs on."""

from __future__ import annotations

import time
from collections.abc import Callable

from simbank.desk.document import Document

__all__ = ["TAB", "Kept"]

KEPT_H = 12.0
MOST = 20  # documents
MOST_LETTERS = 100_000_000  # of all together, with what undo would bring back

# The name of a tab, which it keeps when it is loaded anew. A copy of a tab gets another one: two cannot hold the same lock.
TAB = """
return await (window.deskTab ??= (async () => {
  const named = () => (sessionStorage.simbankDeskTab = [...crypto.getRandomValues(new Uint8Array(16))].map((n) => n.toString(16)).join("."));
  const hold = (name) => new Promise((told) => {
    if (!navigator.locks) return told(true);
    navigator.locks.request(`simbank desk ${name}`, { ifAvailable: true }, (lock) => { told(!!lock); return lock && new Promise(() => {}); });
  });
  const known = sessionStorage.simbankDeskTab;
  let name = known && /^[0-9a-f.]{16,64}$/.test(known) ? known : named();  // none that somebody else put there
  for (let k = 0; k < 10; k++) {  // the page before may hold it for a moment more
    if (await hold(name)) return name;
    await new Promise((go) => setTimeout(go, 100));
  }
  name = named();
  await hold(name);
  return name;
})());
"""


class Kept:
    """Documents by the name of their tab.

    Parameters
    ----------
    clock : callable
        Gives the time [s].
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic):
        self._clock = clock
        self._documents: dict[str, tuple[float, Document]] = {}  # the oldest first

    def __len__(self) -> int:
        """How many there are."""
        return len(self._documents)

    def put(self, tab: str, document: Document):
        """Keep what a tab worked on; of too many the oldest goes, first of those with nothing that is not saved."""
        self._documents.pop(tab, None)
        self._documents[tab] = (self._clock(), document)
        self._forget()

    def take(self, tab: str) -> Document | None:
        """What a tab worked on, which is then no longer kept; None if there is nothing."""
        self._forget()
        found = self._documents.pop(tab, None)
        return None if found is None else found[1]

    def _forget(self):
        since = self._clock() - KEPT_H * 3600.0
        for tab, (at, _) in list(self._documents.items()):
            if at < since:
                del self._documents[tab]
        by_loss = sorted(self._documents.items(), key=lambda kept: kept[1][1].has_to_lose)  # the oldest first among equals
        for tab, _ in by_loss[:-1]:
            letters = sum(document.letters for _, document in self._documents.values())
            if len(self._documents) <= MOST and letters <= MOST_LETTERS:
                return
            del self._documents[tab]
