"""From the names in a binding to fields of a DBC, with every complaint about them."""

from __future__ import annotations

from bench.core.errors import Complaint

from .binding import Binding, Rule, SignalName
from .database import Database, DbMessage, Field
from .nearest import nearest, same_number
from .observers import in_spans

CLASSIC_BYTES = 8
_PDU2 = 240  # J1939-21: from this PF on, PS is part of the PGN


class Resolver:
    """Looks names up and keeps what is wrong with them."""

    def __init__(self, db: Database, binding: Binding) -> None:
        self.db = db
        self.binding = binding
        self.complaints: list[Complaint] = []
        self.warnings: list[Complaint] = []
        self._fitted: set[tuple[int, str]] = set()

    def say(self, name: SignalName, text: str, *, advice: str = "", expected: str = "") -> None:
        """Keeps a complaint at the name's place in the binding."""
        self.complaints.append(
            Complaint(
                text,
                path=self.binding.sheet.path,
                line=name.part.line,
                column=name.part.column,
                advice=advice,
                expected=expected,
            )
        )

    def warn(self, name: SignalName, text: str) -> None:
        """Keeps a warning at the name's place in the binding."""
        self.warnings.append(
            Complaint(
                text,
                path=self.binding.sheet.path,
                line=name.part.line,
                column=name.part.column,
                severity="warning",
            )
        )

    def look(self, text: str) -> tuple[Field | None, str]:
        """The field of a filled-in name, or None and why in words (empty: it is not there)."""
        message, dot, signal = text.partition(".")
        if dot:
            found = self.db.messages.get(message)
            return (found.fields.get(signal) if found else None), ""
        holders = self.db.holders.get(text, ())
        if len(holders) == 1:
            return self.db.messages[holders[0]].fields[text], ""
        if holders:
            return None, f"it is in {', '.join(holders)}; write MESSAGE.{text}"
        return None, ""

    def require(self, name: SignalName | None) -> Field | None:
        """The field of a name that must exist; a complaint when it does not."""
        if name is None:
            return None
        found, why = self.look(name.text)
        if found is None:
            self.missing(name, name.text, why)
            return None
        return found if self.usable(name, found) else None

    def missing(self, name: SignalName, text: str, why: str = "") -> None:
        """Complains that the definitions lack a signal (or message), with the nearest right one."""
        if why:
            self.say(name, f'"{text}" is ambiguous', advice=why)
            return
        message, dot, signal = text.partition(".")
        if dot and message in self.db.messages:
            near = nearest(signal, self.db.messages[message].fields)
            self.say(name, f'message "{message}" of {self.db.path} has no signal "{signal}"', advice=near)
        elif dot:
            self.say(
                name, f'{self.db.path} has no message "{message}"', advice=nearest(message, self.db.messages)
            )
        else:
            self.say(name, f'{self.db.path} has no signal "{text}"', advice=nearest(text, self.db.holders))

    def is_mispadded(self, text: str) -> bool:
        """Whether the definitions have that signal with other zeros before its number."""
        message, dot, signal = text.rpartition(".")
        if not dot:
            return bool(same_number(signal, self.db.holders))
        return message in self.db.messages and bool(same_number(signal, self.db.messages[message].fields))

    def message(self, name: SignalName, text: str) -> DbMessage | None:
        """The message of that name; a complaint when there is none."""
        found = self.db.messages.get(text)
        if found is None:
            self.say(name, f'{self.db.path} has no message "{text}"', advice=nearest(text, self.db.messages))
        return found

    def usable(self, name: SignalName, found: Field) -> bool:
        """Complains about a field that the bench cannot use."""
        if found.is_float:
            self.say(
                name,
                f"{found.full_name} is a floating-point signal",
                advice="the bench reads whole numbers only",
            )
            return False
        if self.db.messages[found.message].length > CLASSIC_BYTES:
            self.say(name, f"{found.full_name} lies in a message of more than {CLASSIC_BYTES} bytes")
            return False
        return True

    def numbered(self, rule: Rule, number: int) -> tuple[Field | None, SignalName, str]:
        """The field for one channel, key or input; the name that was tried first; why there is none."""
        if rule.numbers and not in_spans(number, rule.numbers):
            return None, (*rule.names, *rule.named.values())[0], ""
        if number in rule.named:
            return self.require(rule.named[number]), rule.named[number], ""
        why = ""
        for name in rule.names:
            found, reason = self.look(name.fill(number))
            if found is not None:
                return (found if self.usable(name, found) else None), name, ""
            why = why or reason
        fallback = rule.names[0] if rule.names else next(iter(rule.named.values()))
        return None, fallback, why

    def fits(self, rule: Rule, name: SignalName, found: Field) -> None:
        """Complains once a rule and size about raw values that the field cannot hold."""
        key = (id(rule), f"{found.size}{found.signed}")
        if key in self._fitted:
            return
        self._fitted.add(key)
        lo, hi = found.raw_limits()
        spans = [(a, b) for a, b, _ in rule.words] + list(rule.not_available) + list(rule.error)
        for a, b in spans:
            if a < lo or b > hi:
                text = f"{a}" if a == b else f"{a}..{b}"
                self.say(
                    name, f"{found.full_name} cannot hold the raw value {text}", expected=f"{lo} to {hi}"
                )

    def address(self, message: DbMessage, source: int | None) -> tuple[int, int]:
        """Identifier and mask under which a frame is this message of this source."""
        if not message.extended:
            return message.can_id, 0x7FF
        if self.binding.match == "exact" or source is None:
            return message.can_id, 0x1FFFFFFF
        pdu2 = message.can_id >> 16 & 0xFF >= _PDU2
        return message.can_id & ~0xFF | source, 0x03FFFFFF if pdu2 else 0x03FF00FF

    def source(self, node: str, name: SignalName, message: DbMessage) -> int | None:
        """The node's source address where one is needed; a complaint when it is missing."""
        if self.binding.match == "exact" or not message.extended:
            return None
        found = self.binding.sources.get(node)
        if found is None:
            self.say(
                name, f'"{node}" has no source address', expected=f"sources: {{{node}: 0x..}}",
                advice="match: pgn tells nodes apart by it",
            )  # fmt: skip
        return found
