"""From the typed tree to a Spec: every name must exist, every option must be given that is used."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from bench.core.event import panel_key, screen_key

from . import model
from .build_rules import RULES, TWICE, said_once
from .build_scenarios import read_scenarios
from .complete import Parts, check_options
from .reading import BAD, MAX_COMPLAINTS, Reading, listed
from .shapes import Read

Table = dict[str, Read]
Functions = dict[str, model.Function]


def build_spec(tree: Read, reading: Reading, source: str) -> model.Spec:
    """The spec, when nothing is wrong. **Raises:** SpecError with all complaints."""
    if tree is BAD:
        reading.stop_on_errors()
    names = _Names(tree, reading)
    names.check_boxes()
    names.check_circuits()
    functions = names.functions()
    controls = names.controls(functions)
    rules = names.rules(functions)
    outside = names.outside(controls)
    scenarios = read_scenarios(tree, names.unknown, reading)
    check_options(
        Parts(names.boxes, names.panels, names.screens, names.circuits, functions, controls), reading
    )
    reading.stop_on_errors()
    made = names.spec(functions, controls, rules, outside, source)
    return replace(made, scenarios=scenarios)


_TABLES = {
    "boxes": "box",
    "panels": "panel",
    "screens": "screen",
    "sensors": "sensor",
    "circuits": "circuit",
    "functions": "function",
    "controls": "control",
}


class _Names:
    """One read of the tree; a value that is BAD has been complained about and is passed over."""

    def __init__(self, tree: Table, reading: Reading) -> None:
        self.reading = reading
        self.tree = tree
        # tables that could not be read: what they would have held is not called unknown
        self._unread = {k for k, v in tree.items() if v is BAD}
        if reading.errors:
            self._unread |= {k for k in _TABLES if k not in tree}
        self.boxes = self._table("boxes")
        self.panels = self._table("panels")
        self.screens = self._table("screens")
        self.sensors = self._table("sensors")
        self.circuits = self._table("circuits")
        self.raw_functions = self._table("functions")

    def _table(self, key: str) -> Table:
        found = self.tree.get(key)
        return found if isinstance(found, dict) else {}

    def _whole(self, table: str) -> Iterator[tuple[str, Read]]:
        return ((n, v) for n, v in self._table(table).items() if v is not BAD)

    def unknown(self, where: str, what: str, name: str, known: Iterable[str]) -> None:
        """Complain about a name that nothing bears, unless what bears such names could not be read."""
        if not any(_TABLES.get(table) == what for table in self._unread):
            self.reading.unknown(where, what, name, known)

    # boxes, circuits, nodes

    def check_boxes(self) -> None:
        for table, what in (
            ("panels", "panel"),
            ("screens", "screen"),
            ("sensors", "sensor"),
            ("circuits", "circuit"),
        ):
            for name, values in self._whole(table):
                self._place_on_box(f"{table}.{name}", f'{what} "{name}"', values)
        inputs: dict[tuple[Read, Read], str] = {}
        for name, values in self._whole("sensors"):
            key = (values["box"], values.get("input"))
            if BAD in key or None in key:
                continue
            if (first := inputs.setdefault(key, name)) != name:
                self.reading.at(
                    f"sensors.{name}.input",
                    f'sensors "{first}" and "{name}" are both on input {key[1]} of box {key[0]}',
                    "one sensor per input",
                )
        for name, values in self._whole("boxes"):
            self._check_sheds(name, values.get("supply"))

    def _place_on_box(self, at: str, what: str, values: Table) -> None:
        box = values.get("box")
        if box is None:
            if len(self.boxes) == 1:
                values["box"] = next(iter(self.boxes))
                return
            values["box"] = BAD
            if self.boxes:
                self.reading.at(at, f"{what} does not say its box", f"box: {listed(self.boxes)}")
        elif box is not BAD and box not in self.boxes:
            self.unknown(f"{at}.box", "box", box, self.boxes)

    def _check_sheds(self, box: str, supply: Read) -> None:
        if not isinstance(supply, model.SupplyLimits):
            return
        for number, circuit in enumerate(supply.sheds, 1):
            where = f"boxes.{box}.supply.sheds.{number}"
            if self._circuit(where, circuit) and self._box_of(circuit) not in (box, BAD):
                self.reading.at(where, f'circuit "{circuit}" is not on box {box}', "circuits of this box")

    def _box_of(self, circuit: str) -> Read:
        values = self.circuits[circuit]
        return BAD if values is BAD else values.get("box", BAD)

    def check_circuits(self) -> None:
        taken: dict[tuple[Read, Read], str] = {}
        for name, values in self._whole("circuits"):
            key = (values["box"], values.get("channel"))
            if BAD in key or None in key:
                continue
            if (first := taken.setdefault(key, name)) != name:
                line = self.reading.places.get(f"circuits.{first}", (0, 0))[0]
                self.reading.at(
                    f"circuits.{name}.channel",
                    f'circuits "{first}" and "{name}" are both on channel {key[1]} of box {key[0]}',
                    "one circuit per channel",
                    f'"{first}" is in line {line}',
                )

    def _circuit(self, where: str, name: str) -> bool:
        if name in self.circuits:
            return True
        self.unknown(where, "circuit", name, self.circuits)
        return False

    def _all_circuits(self, where: str, names: Read) -> None:
        """Names in a list (counted from 1), a single name, or the keys of a table."""
        if isinstance(names, str):
            self._circuit(where, names)
        elif isinstance(names, tuple):
            for number, name in enumerate(names, 1):
                if isinstance(name, tuple):
                    self._all_circuits(f"{where}.{number}", name)
                else:
                    self._circuit(f"{where}.{number}", name)
        elif isinstance(names, Mapping):
            for name in names:
                self._circuit(f"{where}.{name}", name)

    # functions

    def functions(self) -> Functions:
        """Explicit functions that could be read; implied ones are added where they are named."""
        found: Functions = {}
        for name, tagged in self._whole("functions"):
            kind, values = tagged
            if values is BAD:
                continue
            at = f"functions.{name}"
            subject = values.get("members", values.get("positions", values.get("presets")))
            self._all_circuits(f"{at}.{kind}", subject)
            if isinstance(subject, tuple) and kind == "cycle" and not any(subject):
                self.reading.at(
                    f"{at}.cycle", f'function "{name}" names no circuit', "a position that holds a circuit"
                )
            if BAD in list(values.values()) or subject is None:
                continue
            if isinstance(subject, str):
                values = {**values, "members": (subject,)}
            found[name] = model.Function(name=name, kind=kind, **values)
        return found

    def _function(self, where: str, name: Read, functions: Functions) -> model.Function | None:
        """The function of that name, an implied toggle for a circuit, or a complaint."""
        if name is BAD or name is None:
            return None
        if name in self.raw_functions:
            return functions.get(name)
        if name in self.circuits:
            return functions.setdefault(name, model.Function(name, "toggle", (name,), implied=True))
        if self._unread & {"functions", "circuits"}:
            return None
        if len(self.reading.complaints) >= MAX_COMPLAINTS:
            self.reading.at(where, f'there is no function or circuit "{name}"')
            return None
        known = [*self.raw_functions, *self.circuits]
        advice = self.reading.suggest(name, known) or "name a function, or a circuit for its plain toggle"
        self.reading.at(where, f'there is no function or circuit "{name}"', listed(sorted(known)), advice)
        return None

    # controls

    def controls(self, functions: Functions) -> dict[str, model.Control]:
        found: dict[str, model.Control] = {}
        for node, keys in self._table("controls").items():
            kind, _, name = node.partition(" ")
            table = self.panels if kind == "panel" else self.screens
            if name not in table:
                self.unknown(f"controls.{node}", kind, name, table)
            if keys is BAD:
                continue
            for key, values in keys.items():
                where = f"controls.{node}.{key}"
                if values is BAD:
                    continue
                function = self._function(f"{where}.function", values.get("function"), functions)
                lamp = values.get("lamp")
                if function is not None and isinstance(lamp, model.Lamp):
                    self._check_lamp(f"{where}.lamp", lamp, function)
                full = panel_key(name, int(key)) if kind == "panel" else screen_key(name, int(key))
                if function is not None and lamp is not BAD:
                    found[full] = model.Control(
                        full, name, "panel" if kind == "panel" else "screen", int(key), function.name, lamp
                    )
        return found

    def _check_lamp(self, where: str, lamp: model.Lamp, function: model.Function) -> None:
        self._all_circuits(f"{where}.circuits", lamp.circuits)
        due = {"active": "scene", "position": "cycle"}.get(lamp.shows)
        if due is None:
            return
        if function.kind != due:
            text = f'the lamp shows "{lamp.shows}", and function "{function.name}" is no {due}'
            self.reading.at(f"{where}.shows", text, "any or all", f'"{lamp.shows}" is for a {due}')
        if lamp.circuits:
            text = f'a lamp that shows "{lamp.shows}" watches its function, not circuits'
            self.reading.at(f"{where}.circuits", text, "no circuits here, or shows: any or all")

    def outside(self, controls: Mapping[str, model.Control]) -> tuple[str, ...]:
        found: list[str] = []
        bound = self._table("controls")
        for node, keys in self._table("outside").items():
            kind, _, name = node.rpartition(" ")
            kind = kind or "panel"
            table = self.panels if kind == "panel" else self.screens
            if name not in table:
                self.unknown(f"outside.{node}", kind, name, table)
            if keys is BAD:
                continue
            bound_keys = bound.get(f"{kind} {name}")
            for number, key in enumerate(keys, 1):
                full = panel_key(name, key) if kind == "panel" else screen_key(name, key)
                if isinstance(bound_keys, dict) and str(key) in bound_keys:
                    self.reading.at(
                        f"outside.{node}.{number}",
                        f"key {key} of {kind} {name} is bound twice: outside and in controls",
                        advice="delete one",
                    )
                elif full in found:
                    self.reading.at(
                        f"outside.{node}.{number}",
                        f"key {key} of {kind} {name} stands twice in outside",
                        advice="delete one",
                    )
                found.append(full)
        return tuple(found)

    # rules

    def rules(self, functions: Functions) -> dict[str, list[Read]]:
        """Rules by kind; those that could be read, once nothing is wrong."""
        found: dict[str, list[Read]] = {kind: [] for kind in RULES}
        seen: dict[tuple[str, ...], int] = {}
        rules = self.tree.get("rules", ())
        for number, tagged in enumerate(() if rules is BAD else rules, 1):
            kind, values = ("", BAD) if tagged is BAD else tagged
            if values is BAD:
                continue
            self._rule_names(f"rules.{number}", kind, values, functions)
            self._said_twice(number, kind, values, seen)
            found[kind].append(values)
        self._check_forces()
        if self.reading.errors:
            return {kind: [] for kind in RULES}
        return {kind: [RULES[kind](**values) for values in all_of] for kind, all_of in found.items()}

    def _said_twice(self, number: int, kind: str, values: Table, seen: dict[tuple[str, ...], int]) -> None:
        for key in said_once(kind, values):
            if (first := seen.setdefault(key, number)) != number:
                text = TWICE[kind].format(*key[1:])
                self.reading.at(
                    f"rules.{number}", text, "one rule", f"rule {first} already says it; join them"
                )

    def _check_forces(self) -> None:
        """Several sensors may force one circuit, if they agree on how."""
        rules = self.tree.get("rules", ())
        first: dict[str, tuple[int, Table]] = {}
        for number, tagged in enumerate(() if rules is BAD else rules, 1):
            if tagged is BAD or tagged[0] != "force" or tagged[1] is BAD:
                continue
            values = tagged[1]
            before, said = first.setdefault(str(values.get("circuit")), (number, values))
            for key in ("presses", "over_inhibit"):
                if (
                    isinstance(values.get(key), str)
                    and isinstance(said.get(key), str)
                    and values[key] != said[key]
                ):
                    text = f'circuit "{values["circuit"]}" is forced by two sensors with different "{key}"'
                    self.reading.at(f"rules.{number}.{key}", text, f"{said[key]}, as in rule {before}")

    def _rule_names(self, at: str, kind: str, values: Table, functions: Functions) -> None:
        target = values.get("circuit", values.get("circuits"))
        if target is not None and target is not BAD:
            self._all_circuits(f"{at}.{kind}", target)
        if kind in ("follow", "inhibit") and values.get("sources", BAD) is not BAD:
            key = "sources" if kind == "follow" else "by"
            self._all_circuits(f"{at}.{key}", values["sources"])
            if target in values["sources"]:
                self.reading.at(
                    f"{at}.{key}",
                    f'circuit "{target}" cannot {kind} itself'
                    if kind == "follow"
                    else f'circuit "{target}" cannot inhibit itself',
                    "other circuits",
                )
        if kind == "force" and isinstance(values.get("sensor"), str) and values["sensor"] not in self.sensors:
            self.unknown(f"{at}.by", "sensor", values["sensor"], self.sensors)
        if kind == "backlight":
            if isinstance(values.get("panel"), str) and values["panel"] not in self.panels:
                self.unknown(f"{at}.backlight", "panel", values["panel"], self.panels)
            if isinstance(values.get("when"), dict):
                self._check_when(f"{at}.when", values["when"], functions)

    def _check_when(self, at: str, when: Table, functions: Functions) -> None:
        for name, positions in when.items():
            function = self._function(f"{at}.{name}", name, functions)
            if function is None or positions is BAD:
                continue
            most = len(function.positions) if function.kind == "cycle" else 1
            for number, position in enumerate(positions, 1):
                if position > most:
                    expected = f"1 to {most}" if most > 1 else "1, which means on or active"
                    self.reading.at(
                        f"{at}.{name}.{number}", f'function "{name}" has no position {position}', expected
                    )

    # the whole

    def spec(
        self,
        functions: Functions,
        controls: dict[str, model.Control],
        rules: dict[str, list[Read]],
        outside: tuple[str, ...],
        source: str,
    ) -> model.Spec:
        return model.Spec(
            boat=self.tree["boat"],
            boxes={n: model.Box(name=n, **v) for n, v in self.boxes.items()},
            panels={n: _node("panel", n, v) for n, v in self.panels.items()},
            screens={n: _node("screen", n, v) for n, v in self.screens.items()},
            sensors={n: model.Sensor(name=n, **v) for n, v in self.sensors.items()},
            circuits={n: model.Circuit(name=n, **v) for n, v in self.circuits.items()},
            functions=functions,
            controls=controls,
            outside=outside,
            forces=tuple(rules["force"]),
            follows=tuple(rules["follow"]),
            inhibits=tuple(rules["inhibit"]),
            wakes=tuple(rules["wake"]),
            backlights=tuple(rules["backlight"]),
            path=self.reading.path,
            source=source,
            places=self.reading.places,
        )


def _node(kind: Read, name: str, values: Table) -> model.ControlNode:
    lost = values.get("lost")
    return model.ControlNode(
        kind, name, values["box"], model.Lost(**lost) if isinstance(lost, dict) else None
    )
