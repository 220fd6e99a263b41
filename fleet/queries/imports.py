"""What a spreadsheet of members and fleet would change, held against what is on record now.

An empty cell says nothing and leaves what is on record. A row names its operator and, where it has
a registration, one aircraft of that operator; what several rows say of one operator must agree.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from typing import Any

from django.core.exceptions import ValidationError

from fleet.importing import Entry, Fault, Reading
from fleet.importing.values import Number
from fleet.models import Aircraft, Jurisdiction, Membership, Operator, Person, Season
from fleet.queries.import_plan import Difference, Plan, PlanRow, Step, What
from fleet.queries.members import joining_day
from fleet.queries.whose import aircraft_of, operators_of
from fleet.validators import check_membership_days

OPERATOR_FIELDS = (
    "base", "base_latitude_deg", "base_longitude_deg", "jurisdiction", "email", "phone",
)  # fmt: skip
AIRCRAFT_FIELDS = ("make", "model", "kind", "span_m", "retired_on")
NEEDED_OF_AIRCRAFT = ("model", "kind", "span_m")


def plan(person: Person, reading: Reading, season: Season | None) -> Plan:
    """Hold a file against the records. A fixed number of queries, whatever its length."""
    return _Planner(person, reading, season).plan()


class _Planner:
    """Goes through a file row by row, with everything on record at hand."""

    def __init__(self, person: Person, reading: Reading, season: Season | None) -> None:
        self.reading, self.season = reading, season
        self.operators = {name_key(one.name): one for one in operators_of(person)}
        self.jurisdictions = {name_key(one.name): one for one in Jurisdiction.objects.all()}
        self.fleet: dict[str, list[Aircraft]] = {}
        for one in aircraft_of(person):
            self.fleet.setdefault(one.registration.upper(), []).append(one)
        self.members = (
            {one.operator_id: one for one in Membership.objects.filter(season=season)}
            if season
            else {}
        )
        self.faults: dict[int, list[Fault]] = {}
        for fault in reading.faults:
            self.faults.setdefault(fault.row or 0, []).append(fault)
        self.said: dict[str, dict[str, tuple[int, Any]]] = {}  # of operators, by field
        self.seen: dict[tuple[str, str, Any], int] = {}  # aircraft, and in which row
        self.newly: dict[str, tuple[int, str]] = {}  # registrations brought into service

    def plan(self) -> Plan:
        """Return what would be done."""
        for entry in self.reading.entries:
            self._gather(entry)
        first: set[str] = set()
        rows = []
        for entry in self.reading.entries:
            steps: list[Step] = []
            key = name_key(entry.get("operator") or "")
            if key and key not in first:
                first.add(key)
                steps += self._operator_steps(entry, key)
            if key and entry.get("registration"):
                steps += self._aircraft_steps(entry, key)
            elif any(entry.get(name) is not None for name in AIRCRAFT_FIELDS):
                says = "Has particulars of an aircraft, but no registration."
                self._wrong(entry, "registration", says, "Write it, or leave the others empty.")
            rows.append(
                PlanRow(
                    entry.row,
                    entry.get("operator") or "",
                    entry.get("registration") or "",
                    tuple(steps),
                    tuple(self.faults.get(entry.row, ())),
                )
            )
        return Plan(tuple(rows), self.reading.remarks)

    def _wrong(self, entry: Entry, name: str, what: str, right: str) -> None:
        fault = Fault(entry.row, self.reading.heading(name), what, right)
        self.faults.setdefault(entry.row, []).append(fault)

    def _gather(self, entry: Entry) -> None:
        """Gather what all rows say of an operator; two rows must not say two things."""
        said = self.said.setdefault(name_key(entry.get("operator") or ""), {})
        if not entry.get("operator"):
            return
        for name in (*OPERATOR_FIELDS, "membership", "joined_on"):
            value = entry.get(name)
            if value is None:
                continue
            row, before = said.setdefault(name, (entry.row, value))
            if _plain(before) != _plain(value):
                says = f'Says "{_shown(value)}" where row {row} says "{_shown(before)}".'
                self._wrong(entry, name, says, "Write the same in all rows of an operator.")

    # --- operators and memberships

    def _operator_steps(self, entry: Entry, key: str) -> list[Step]:
        said = {name: value for name, (_, value) in self.said[key].items()}
        on_record = self.operators.get(key)
        values = {name: said[name] for name in OPERATOR_FIELDS if name in said}
        if "jurisdiction" in values:
            found = self.jurisdictions.get(name_key(values["jurisdiction"]))
            if found is None:
                known = ", ".join(str(one) for one in self.jurisdictions.values()) or "none yet"
                self._wrong(
                    entry,
                    "jurisdiction",
                    f'No jurisdiction is called "{values["jurisdiction"]}".',
                    f"Add it first, or write one that is on record ({known}).",
                )
                return []
            values["jurisdiction"] = found
        if on_record is None:
            step = self._new_operator(entry, values)
        else:
            step = self._changed(entry, "operator", on_record, values, on_record.name)
        if step is None:
            return []
        self._check_place(entry, step)
        return [step, *self._member_steps(entry, on_record, said)]

    def _new_operator(self, entry: Entry, values: dict[str, Any]) -> Step | None:
        if "base" not in values:
            says = f"{entry.get('operator')} is new, and its home base is missing."
            self._wrong(entry, "base", says, "Write the airfield or the town.")
            return None
        values = {"name": entry.get("operator"), **_in_si(values)}
        self._hold(entry, Operator(**values))
        name = entry.get("operator")
        return Step(entry.row, "operator", "added", name, name, values=values)

    def _check_place(self, entry: Entry, step: Step) -> None:
        """A place has both coordinates or neither."""
        place = [
            step.values.get(name, getattr(step.target, name, None))
            for name in ("base_latitude_deg", "base_longitude_deg")
        ]
        if (place[0] is None) != (place[1] is None):
            missing = "base_latitude_deg" if place[0] is None else "base_longitude_deg"
            self._wrong(
                entry, missing, "Is missing beside the other one.", "Give both, or neither."
            )

    def _member_steps(
        self, entry: Entry, on_record: Operator | None, said: Mapping[str, Any]
    ) -> list[Step]:
        kind, joined_on = said.get("membership"), said.get("joined_on")
        if kind is None:  # a day alone makes nobody a member
            return []
        if self.season is None:
            says = "Says how the operator belongs, and no season was chosen for the file."
            self._wrong(entry, "membership", says, "Choose the season, or leave this empty.")
            return []
        there = self.members.get(on_record.pk) if on_record else None
        values = {"kind": kind} if joined_on is None else {"kind": kind, "joined_on": joined_on}
        name = f"{entry.get('operator')}, {self.season}"
        if there is None:
            if on_record is not None and on_record.left_on:
                says = f"Left the association on {_shown(on_record.left_on)}."
                self._wrong(entry, "membership", says, "Clear that day on its page first.")
                return []
            values.setdefault("joined_on", joining_day(self.season))
            step = Step(entry.row, "member", "added", name, entry.get("operator"), values=values)
        else:
            step = self._changed(entry, "member", there, values, name)
        day: datetime.date = values["joined_on"] if there is None or joined_on else there.joined_on
        lapsed_on = there.lapsed_on if there else None
        for sentences in check_membership_days(self.season, day, lapsed_on).values():
            says = f"{_shown(day)} does not fit: {' '.join(sentences)}"
            self._wrong(entry, "joined_on", says, "Correct the day or choose another season.")
        return [step]

    # --- aircraft

    def _aircraft_steps(self, entry: Entry, key: str) -> list[Step]:
        registration = entry.get("registration")
        retired_on = entry.get("retired_on")
        twin = self.seen.setdefault((key, registration, retired_on), entry.row)
        if twin != entry.row:
            says = f"{registration} stands in row {twin} already."
            self._wrong(entry, "registration", says, "Keep one of the two rows.")
            return []
        values = _in_si({name: entry.get(name) for name in AIRCRAFT_FIELDS if entry.get(name)})
        on_record = self._on_record(key, registration, retired_on)
        if on_record is not None:
            given = {name: entry.get(name) for name in values}
            return [self._changed(entry, "aircraft", on_record, given, registration)]
        if not self._may_be_added(entry, key, registration, values):
            return []
        step = Step(
            entry.row,
            "aircraft",
            "added",
            registration,
            entry.get("operator"),
            values={"registration": registration, **values},
        )
        self._hold(entry, Aircraft(**step.values))
        return [step]

    def _on_record(self, key: str, registration: str, retired_on: Any) -> Aircraft | None:
        """Return the operator's aircraft that is meant: of those out of service by the day."""
        own = [
            one for one in self.fleet.get(registration, []) if name_key(one.operator.name) == key
        ]
        for one in own:
            if one.retired_on == retired_on:
                return one
        return next((one for one in own if retired_on and one.retired_on is None), None)

    def _may_be_added(
        self, entry: Entry, key: str, registration: str, values: Mapping[str, Any]
    ) -> bool:
        flying = [one for one in self.fleet.get(registration, []) if one.retired_on is None]
        own = [
            one for one in self.fleet.get(registration, []) if name_key(one.operator.name) == key
        ]
        operator = self.operators.get(key)
        row, other = self.newly.setdefault(registration, (entry.row, key))
        if flying:
            says = f"{registration} is in the fleet of {flying[0].operator}."
            right = f"Correct it, or take it out of service at {flying[0].operator} first."
            self._wrong(entry, "registration", says, right)
        elif own:
            days = " and ".join(_shown(one.retired_on) for one in own)
            says = f"{registration} went out of service on {days}."
            right = "Bring it back on its page first, or write that day as out of service since."
            self._wrong(entry, "registration", says, right)
        elif other != key:
            says = f"{registration} is given to another operator in row {row}."
            self._wrong(entry, "registration", says, "Give it to one of them.")
        elif "retired_on" in values:
            says = f"{registration} is not on record, and out of service."
            self._wrong(entry, "retired_on", says, "Leave the day empty to add the aircraft.")
        elif operator is not None and operator.left_on:
            says = f"{operator} left the association on {_shown(operator.left_on)}."
            self._wrong(entry, "operator", says, "Clear that day on its page first.")
        else:
            missing = [name for name in NEEDED_OF_AIRCRAFT if name not in values]
            for name in missing:
                said = f"{registration} is new, and this is missing."
                self._wrong(entry, name, said, _RIGHT[name])
            return not missing
        return False

    # --- both

    def _changed(
        self, entry: Entry, what: What, target: Any, given: Mapping[str, Any], name: str
    ) -> Step:
        """Return what differs from the record, a number only where it reads otherwise."""
        differences = []
        for of, value in given.items():
            old = getattr(target, of)
            if isinstance(value, Number):
                if value.says_the_same_as(old):
                    continue
                value = value.si
            if value != old:
                differences.append(Difference(of, old, value))
        values = {one.field: one.new for one in differences}
        if values:
            self._hold(entry, type(target)(**{**_own_values(target), **values}))
        return Step(
            entry.row,
            what,
            "changed" if differences else "same",
            name,
            entry.get("operator"),
            target=target,
            values=values,
            differences=tuple(differences),
        )

    def _hold(self, entry: Entry, row: Any) -> None:
        """Hold values to what the model itself asks for."""
        try:
            # Keys were looked up among what is on record; asking once more would be a query a row.
            row.clean_fields(exclude=("operator", "season", "jurisdiction"))
        except ValidationError as error:
            for name, sentences in error.message_dict.items():
                name = "operator" if name == "name" else name
                known = name if name in (*OPERATOR_FIELDS, *AIRCRAFT_FIELDS) else "operator"
                self._wrong(entry, known, " ".join(sentences), "")


_RIGHT = {
    "model": "Write the model.",
    "kind": "Write fixed wing, helicopter or uncrewed.",
    "span_m": "Write the wingspan or the rotor diameter.",
}


def _own_values(row: Any) -> dict[str, Any]:
    return {of.attname: getattr(row, of.attname) for of in row._meta.concrete_fields}


def name_key(name: str) -> str:
    """Names are alike whatever their case and blanks."""
    return " ".join(name.split()).casefold()


def _in_si(values: Mapping[str, Any]) -> dict[str, Any]:
    return {name: v.si if isinstance(v, Number) else v for name, v in values.items()}


def _plain(value: Any) -> Any:
    return value.typed if isinstance(value, Number) else value


def _shown(value: Any) -> str:
    value = _plain(value)
    return f"{value:%-d %B %Y}" if hasattr(value, "strftime") else f"{value}"
