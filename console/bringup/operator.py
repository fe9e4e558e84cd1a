"""The operator at a plan's board: what they are asked, and whether they have the power on. Raises what ends a stage."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from console.bringup import asking
from console.bringup.marks import Marks
from console.bringup.standing import Said, Standing
from console.causes.rank import NextCheck
from console.errors import Stopped
from console.operating import Hands, Reply
from console.session.session import Session
from console.snapshot import Fold


class TakenBack(Exception):
    """The operator took this answer back: begin with what that leaves."""

    def __init__(self, said: Said) -> None:
        super().__init__(said.id)
        self.said = said


class Operator:
    """Whoever does the steps of a plan. `let_go` gives the port up before the power goes."""

    def __init__(
        self,
        standing: Standing,
        session: Session,
        fold: Fold,
        hands: Hands,
        marks: Marks,
        let_go: Callable[[], Awaitable[None]],
    ) -> None:
        self.hands = hands
        self._standing = standing
        self._session = session
        self._fold = fold
        self._marks = marks
        self._let_go = let_go
        self._powered: bool | None = None
        self._was_powered = False

    async def power(self, on: bool, because: NextCheck | None = None) -> None:
        """Have the board's power as it is needed now; not asked where it is. `because` is how it is asked for, where
        the usual words do not fit. Raises Stopped, TakenBack.
        """
        if self._powered is on:
            return
        if not on:  # what the line does while the power goes says nothing of the board
            await self._let_go()
        reply = await self.ask(because or asking.power(on, not self._was_powered))
        if on:
            self._powered = self._was_powered = True
        else:
            await self.gone_dark()
        if reply.kind == "skip":  # nobody knows: the next that needs it asks again
            self._powered = None

    async def gone_dark(self) -> None:
        """The power is off now, or was off in between."""
        self._powered = False
        self._standing.live.clear()
        await self._let_go()

    async def ask(self, check: NextCheck) -> Reply:
        """What they say to it; notes are written down on the way. Raises Stopped, TakenBack."""
        told = self._standing.told
        self._marks.ask(check, undoable=bool(told))
        while True:
            reply = await self.hands.reply(check, self._fold.snapshot())
            match reply.kind:
                case "note":
                    self._session.operator("remark", text=reply.text)
                case "have":
                    self._session.operator("at-hand", item=reply.text)
                case "stop":
                    self._marks.answer(check, reply)
                    raise Stopped("stopped", "stopped by the user", help="--from STAGE goes on later")
                case "undo" if told:
                    self._marks.answer(check, reply)
                    last, stage = self._standing.take_back()
                    self._marks.undo(last.id, stage=stage, repair=last.repair)
                    raise TakenBack(last)
                case "undo":
                    pass  # there is none: whoever asks says so
                case _:
                    self._marks.answer(check, reply)
                    if reply.kind == "done":
                        await self.hands.act(check)
                    return reply
