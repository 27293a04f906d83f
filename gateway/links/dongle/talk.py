"""One dongle as it is set now, and one request after another over it."""

from __future__ import annotations

import threading
import time

from decoders.values import Exchange, Request, is_functional
from gateway.links.base import Limits, unsent
from gateway.links.dongle.hearing import Hearing
from gateway.links.dongle.process import DongleProcess, Turn, TurnEnd
from gateway.links.dongle.reply import NOT_TAKEN, OK, lines_of
from gateway.links.dongle.settings import BASICS, RATES, Setting, Settings, settings_for, unsendable, waits

_CHANGES_NOTHING = frozenset({0x01, 0x02, 0x03, 0x05, 0x06, 0x07, 0x09, 0x0A, 0x19, 0x22, 0x3E})
"""Services that read, and TesterPresent. Source: SAE J1979; ISO 14229-1."""
_NO_MEMORY = Setting("memory", "ATM0", needed=False)
_OBD_PAGE = 0xF4
_ABOUT_FAULTS = frozenset({0x01, 0x02, 0x41})
"""Of service 01 and page F4: readiness, the code behind the freeze frame, readiness of this cycle. SAE J1979."""
_MOST_COUNT = 0xF


class Talk:
    """Asks through a dongle that answers.

    Args:
        process: the dongle; the talk owns it from here on.
        hearing: what units said so far.
        name: the link's address, for exchanges.
        rate: the protocols of the car's bit rate.

    Attributes:
        rate: the same, until the car is found.
        over: True when the dongle is of no use any more.
        nothing_sent: True if it was lost before the last request was written.
        garbled: True if a line of its last reply cannot be read.
    """

    def __init__(self, process: DongleProcess, hearing: Hearing, name: str, rate: dict[bool, str] = RATES[0]) -> None:
        self.rate = rate
        self.over = False
        self.nothing_sent = False
        self.garbled = False
        self._process = process
        self._hearing = hearing
        self._name = name
        self._settings = Settings()
        self._counts: dict[Request, int] = {}

    def ask(self, request: Request, limits: Limits, stop: threading.Event) -> Exchange:
        """Set what the target needs and ask; whatever keeps the request from leaving makes it unsent."""
        self.nothing_sent = False
        trouble = unsendable(request.target, request.data)
        if trouble is not None:
            return unsent(self._name, request, trouble)
        if request.data[0] not in _CHANGES_NOTHING:
            # A dongle that restarted unnoticed would ask every unit: that must not change anything in any.
            self._settings.forget()
        trouble = self._set(request.target, limits, stop)
        if trouble is not None:
            return unsent(self._name, request, trouble)
        expected = self._counts.pop(request, None)
        text = request.data.hex().upper() + ("" if expected is None else f"{expected:X}")
        turn = self._turn(text, limits, stop, is_request=True)
        self.nothing_sent = turn.end is TurnEnd.LOST and turn.begun_ns is None
        heard = self._hearing.judge(request, turn, limits, expected)
        self.garbled = heard.garbled
        self._hearing.ended(heard, time.perf_counter_ns())
        if heard.doubt_until_ns:
            # Nobody listens meanwhile: the answer that may still come goes by, and is not taken for the next one.
            stop.wait(max(0, heard.doubt_until_ns - time.perf_counter_ns()) / 1e9)
        if heard.odd:
            self._settings.forget()
        if heard.frames is not None and heard.frames <= _MOST_COUNT and _is_live_value(request):
            self._counts[request] = heard.frames
        return heard.exchange

    def choose(self, setting: Setting, limits: Limits, stop: threading.Event) -> str | None:
        """Set one thing; why that could not be, or None."""
        self._settings.begin(setting)
        turn = self._turn(setting.command, limits, stop, is_request=False)
        if turn.end is not TurnEnd.PROMPT:
            self.nothing_sent = True
            return f"{turn.reason}: {setting.command} was not answered"
        said = [line.text for line in lines_of(turn.heard)]
        # Only a dongle that repeats commands may write one more line: the command that ends it.
        if said == [OK] or (setting.command == BASICS[0].command and said[-1:] == [OK]):
            self._settings.done(setting)
            return None
        if not setting.needed and said == [NOT_TAKEN]:
            self._settings.done(setting)
            return None
        if said != [NOT_TAKEN]:
            self._settings.forget()  # no dongle set as this one answers so: it may have restarted
        return f"the dongle did not take {setting.command}: it wrote {' / '.join(said) or 'nothing'}"

    def keep_memory(self, limits: Limits, stop: threading.Event) -> str | None:
        """Keep the dongle from storing a protocol that it finds; why the dongle was lost, or None."""
        trouble = self.choose(_NO_MEMORY, limits, stop)
        return trouble if self.over else None

    def close(self) -> None:
        """End the dongle's process."""
        self.over = True
        self._process.close()

    def _set(self, target: str, limits: Limits, stop: threading.Event) -> str | None:
        wanted = (*BASICS, *waits(max(limits.p2_ms, limits.functional_ms)), *settings_for(target, self.rate))
        for setting in self._settings.missing(wanted):
            trouble = self.choose(setting, limits, stop)
            if trouble is not None:
                return trouble
        return None

    def _turn(self, text: str, limits: Limits, stop: threading.Event, *, is_request: bool) -> Turn:
        turn = self._process.turn(
            text, is_request=is_request, quiet_ms=patience_ms(limits), ceiling_ms=limits.ceiling_ms, stop=stop
        )
        self.over = self.over or turn.end is not TurnEnd.PROMPT
        return turn


def patience_ms(limits: Limits) -> int:
    """How long a dongle may write nothing: a unit's longest wait, the dongle's own before and after, and the way."""
    return limits.p2_star_ms + 2 * max(limits.p2_ms, limits.functional_ms) + limits.n_cr_ms


def _is_live_value(request: Request) -> bool:
    """True for values of one unit that say nothing of faults: only those are worth a count of frames.

    A dongle that was told how many frames come does not wait for more, so it would miss a second answer.
    """
    data = request.data
    if is_functional(request.target):
        return False
    if data[0] == 0x01:
        return _ABOUT_FAULTS.isdisjoint(data[1:])
    pages, numbers = data[1::2], data[2::2]
    return data[0] == 0x22 and set(pages) == {_OBD_PAGE} and _ABOUT_FAULTS.isdisjoint(numbers)
