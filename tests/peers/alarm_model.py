#!/usr/bin/env python3
"""The rules of the alarm life-cycle written again, in another language and another way, from the documentation alone.

    alarm_model.py STEPS SEED

Makes random plants and random steps, works out what must be told, and writes one JSON object a line:

    {"plant": {"points": [...], "alarms": [...]}}      a new plant: everything before is forgotten
    {"at": 1234, "do": {...}, "told": [...], "refused": null, "shown": ["B", "G/A", ...]}

`told` holds, for every alarm that moved, [alarm, [cause, state, told to people, occurrence, at] ...] in order. States are
the letters of ISA-18.2 (A to F), before them what hides them: G shelved, O shelved once, H suppressed, I out of service.
The reader puts the same steps through the engine and compares. Nothing here is taken from the engine: an alarm is kept as
a handful of facts with dates, and time is not counted but jumped, from one date to the next.
"""

import json
import random
import sys

GOOD, UNCERTAIN, SENSOR, SILENT, OUT = "good", "uncertain", "sensor", "silent", "out of service"
BAD = (SENSOR, SILENT, OUT)
RULES_AT_ONCE = 4


class Alarm:
    """One alarm: settings, what is known of its condition, what people did."""

    def __init__(self, settings):
        self.set = settings
        self.active = False
        self.seen = True  # acknowledged, or nothing to acknowledge
        self.latched = False
        self.occurrence = 0
        self.removed = False
        self.shelf = None  # (end, once)
        self.rules = []
        self.rules_end = None
        self.forget()

    def forget(self):
        """What a restart does not keep: how the condition stood and since when."""
        self.holds = None  # True, False, None: not known
        self.since = None  # start of the delay that runs

    # ---- what the condition says of a value

    def condition(self, value, quality):
        kind = self.set["kind"]
        if kind == "bad":
            if quality == SENSOR:
                return True
            return None if quality in (SILENT, OUT) else False
        if quality in BAD:
            return None
        limit, back = self.set["limit"], self.set["deadband"] if self.active else 0
        if kind == "high":
            return value > limit or (self.active and value >= limit - back)
        if kind == "low":
            return value < limit or (self.active and value <= limit + back)
        return value in self.set["states"]

    def sample(self, now, value, quality):
        holds = self.condition(value, quality)
        self.holds = holds
        if self.active:
            if holds is False:
                self.since = now if self.since is None else self.since
            else:
                self.since = None
        elif holds is True:
            self.since = now if self.since is None else self.since
        elif holds is False:
            self.since = None

    def turn(self):
        """When the running delay ends, if the last sample lets it."""
        if self.holds is None or self.holds == self.active or self.since is None:
            return None
        return self.since + (self.set["off_delay"] if self.active else self.set["on_delay"])

    # ---- what hides it

    def cover(self):
        shelf = ("O" if self.shelf[1] else "G") if self.shelf else ""
        return shelf + ("H" if self.rules else "") + ("I" if self.removed else "")

    def name(self):
        if self.active:
            letter = "C" if self.seen else "B"
        elif self.latched:
            letter = "F" if self.seen else "E"
        else:
            letter = "A" if self.seen else "D"
        return self.cover() + "/" + letter if self.cover() else letter

    def uncovered(self, was_hidden):
        """When nothing hides it any more it is judged as if new."""
        if was_hidden and not self.cover():
            self.latched = False
            self.seen = not self.active

    # ---- what happens

    def told(self, cause, at, before):
        name = self.name()
        return [cause, name, name == "B" and before != "B", self.occurrence, at]

    def happens(self, at):
        """The delay's end, and a one-shot shelf's with it."""
        before, tellings = self.name(), []
        self.since = None
        if not self.active:
            self.active, self.seen, self.latched = True, False, False
            self.occurrence += 1
            return [self.told("Raised", at, before)]
        self.active = False
        self.latched = self.set["latching"]
        tellings.append(self.told("Cleared", at, before))
        if self.shelf and self.shelf[1]:
            tellings.append(self.shelf_ends(at))
        return tellings

    def shelf_ends(self, at, cause="ShelfEnded"):
        before = self.name()
        self.shelf = None
        self.uncovered(True)
        return self.told(cause, at, before)

    def rules_stop(self, at):
        before = self.name()
        self.rules, self.rules_end = [], None
        self.uncovered(True)
        return self.told("SuppressionEnded", at, before)

    def operate(self, now, what):
        """The refusal's name, or what is told."""
        name, hidden, before = what["operation"], bool(self.cover()), self.name()
        if name in ("Acknowledge", "Reset", "ReAlarm"):
            if hidden:
                return "Hidden"
            if name == "Acknowledge":
                if self.seen:
                    return "NothingToAcknowledge"
                self.seen = True
                return [self.told("Acknowledged", now, before)]
            if name == "Reset":
                if self.active:
                    return "StillActive"
                if not self.latched:
                    return "NotLatched"
                if not self.seen:
                    return "NotAcknowledged"
                self.latched = False
                return [self.told("Reset", now, before)]
            if not self.active or not self.seen:
                return "NothingToRealarm"
            self.seen = False
            return [self.told("ReAlarmed", now, before)]
        if name in ("Shelve", "ShelveOneShot"):
            longest = self.set["max_shelf"]
            if hidden:
                return "AlreadyHidden"
            if longest == 0:
                return "ShelvingNotAllowed"
            time = longest if name == "ShelveOneShot" else what["for"]
            if time == 0:
                return "NoDuration"
            if time > longest:
                return "TooLong"
            self.shelf = (now + time, name == "ShelveOneShot")
            return [self.told("Shelved", now, before)]
        if name == "Unshelve":
            return [self.shelf_ends(now, "Unshelved")] if self.shelf else "NotHidden"
        if name == "Suppress":
            if what["for"] == 0:
                return "NoDuration"
            if what["rule"] in self.rules:
                return "AlreadyHidden"
            if len(self.rules) == RULES_AT_ONCE:
                return "TooManyRules"
            end = now + what["for"]
            self.rules_end = end if not self.rules else min(end, self.rules_end)
            self.rules.append(what["rule"])
            return [self.told("Suppressed", now, before)]
        if name == "Release":
            if what["rule"] not in self.rules:
                return "NotHidden"
            self.rules.remove(what["rule"])
            self.rules_end = self.rules_end if self.rules else None
            self.uncovered(hidden)
            return [self.told("Released", now, before)]
        if name == "RemoveFromService":
            if self.removed:
                return "AlreadyHidden"
            self.removed = True
            return [self.told("RemovedFromService", now, before)]
        if not self.removed:
            return "NotHidden"
        self.removed = False
        self.uncovered(hidden)
        return [self.told("ReturnedToService", now, before)]

    def dates(self):
        """What is due when: at one moment the delay goes first, then the shelf, then the suppression."""
        turn = self.turn()
        return [
            (date, order)
            for order, date in enumerate((turn, self.shelf and self.shelf[0], self.rules_end))
            if date is not None
        ]


class Point:
    """The last reading of a point and what it is worth."""

    def __init__(self, settings):
        self.set = settings
        self.lose()

    def lose(self):
        self.usable, self.at = False, None

    def take(self, now, value, quality):
        """The quality of a reading: outside its valid range the sensor has failed."""
        valid = self.set["valid"]
        if quality not in BAD and valid and not valid[0] <= value <= valid[1]:
            quality = SENSOR
        self.usable, self.at = quality not in BAD, now
        return quality

    def stale(self):
        return self.at + self.set["max_age"] if self.usable and self.set["max_age"] else None


class Plant:
    """Points and alarms, and the passing of time."""

    def __init__(self, settings):
        self.points = [Point(point) for point in settings["points"]]
        self.alarms = [Alarm(alarm) for alarm in settings["alarms"]]
        self.tellings = {}

    def tell(self, number, tellings):
        if tellings:
            self.tellings.setdefault(number, []).extend(tellings)

    def pass_to(self, now):
        """Everything that is due by now, in the order of time; at one moment delays go before a reading's age."""
        while True:
            due = [(date, order, "alarm", n) for n, alarm in enumerate(self.alarms) for date, order in alarm.dates()]
            due += [(p.stale(), 9, "point", n) for n, p in enumerate(self.points) if p.stale() is not None]
            date, order, what, number = min(due, default=(None, 0, "", 0))
            if date is None or date > now:
                return
            if what == "point":
                self.points[number].lose()
                self.sample(number, date, 0, SILENT)
                continue
            alarm = self.alarms[number]
            if order == 0:
                self.tell(number, alarm.happens(date))
            elif order == 1:
                self.tell(number, [alarm.shelf_ends(date)])
            else:
                self.tell(number, [alarm.rules_stop(date)])

    def sample(self, point, now, value, quality):
        for number, alarm in enumerate(self.alarms):
            if alarm.set["point"] == point:
                alarm.sample(now, value, quality)
                if alarm.turn() is not None and alarm.turn() <= now:
                    self.tell(number, alarm.happens(now))

    def step(self, now, do):
        """What is told of each alarm, and the name of a refusal."""
        self.tellings, refused = {}, None
        self.pass_to(now)
        if do["what"] == "read":
            quality = self.points[do["point"]].take(now, do["value"], do["quality"])
            self.sample(do["point"], now, do["value"], quality)
        elif do["what"] == "operate":
            answer = self.alarms[do["alarm"]].operate(now, do)
            if isinstance(answer, str):
                refused = answer
            else:
                self.tell(do["alarm"], answer)
        elif do["what"] == "restart":
            for point in self.points:
                point.lose()
            for alarm in self.alarms:
                alarm.forget()
                if alarm.shelf:
                    alarm.shelf = (min(alarm.shelf[0], now + alarm.set["max_shelf"]), alarm.shelf[1])
        return sorted([number, tellings] for number, tellings in self.tellings.items()), refused

    def promises(self):
        """What must hold whatever happened."""
        for alarm in self.alarms:
            assert alarm.cover() or not alarm.active or alarm.name() in "BC", "an active alarm is shown"
            assert alarm.shelf is None or alarm.shelf[0] is not None, "a shelf has an end"
            assert not alarm.rules or alarm.rules_end is not None, "a suppression has an end"
            assert alarm.holds is not None or not alarm.active or alarm.since is None, "unknown does not clear"


def a_plant(chance):
    points = [
        {"valid": chance.choice([None, [-50, 50], [-12, 12]]), "max_age": chance.choice([0, 20, 60])}
        for _ in range(chance.randint(1, 3))
    ]
    alarms = []
    for point in range(len(points)):
        for _ in range(chance.randint(0 if point else 1, 3)):
            kind = chance.choice(["high", "high", "low", "state", "bad"])
            alarm = {
                "point": point,
                "kind": kind,
                "limit": chance.randint(-8, 8),
                "deadband": chance.choice([0, 1, 4]),
                "states": sorted(chance.sample(range(0, 8), chance.randint(1, 3))),
                "on_delay": chance.choice([0, 0, 3, 12]),
                "off_delay": chance.choice([0, 0, 2, 9]),
                "latching": chance.random() < 0.4,
                "max_shelf": chance.choice([0, 30, 30, 200]),
            }
            alarms.append(alarm)
    return {"points": points, "alarms": alarms}


def an_operation(chance, alarms):
    name = chance.choice(
        ["Acknowledge"] * 5
        + ["Reset", "Reset", "Reset", "ReAlarm", "Shelve", "Shelve", "ShelveOneShot", "ShelveOneShot", "Unshelve"]
        + ["Suppress", "Suppress", "Release", "Release", "RemoveFromService", "ReturnToService", "ReturnToService"]
    )
    do = {"what": "operate", "alarm": chance.randrange(alarms), "operation": name}
    if name in ("Shelve", "Suppress"):
        do["for"] = chance.choice([0, 5, 20, 30, 31, 80])
    if name in ("Suppress", "Release"):
        do["rule"] = chance.randint(0, 5)
    return do


def a_step(chance, plant):
    dice = chance.random()
    if dice < 0.55:
        quality = chance.choices([GOOD, UNCERTAIN, SENSOR, SILENT, OUT], [80, 5, 5, 7, 3])[0]
        value = chance.randint(-14, 14)
        return {"what": "read", "point": chance.randrange(len(plant.points)), "value": value, "quality": quality}
    if dice < 0.80:
        return an_operation(chance, len(plant.alarms))
    return {"what": "wait"} if dice < 0.99 else {"what": "restart"}


def main():
    steps, seed = int(sys.argv[1]), int(sys.argv[2])
    chance = random.Random(seed)
    dump = json.JSONEncoder(separators=(",", ":")).encode
    done = 0
    while done < steps:
        settings = a_plant(chance)
        print(dump({"plant": settings}))
        plant, now = Plant(settings), chance.randrange(100_000)
        for _ in range(min(chance.randint(50, 400), steps - done)):
            now += chance.choice([0, 0, 0, 1, 1, 2, 3, 5, 9, 15, 40])
            do = a_step(chance, plant)
            told, refused = plant.step(now, do)
            plant.promises()
            shown = [alarm.name() for alarm in plant.alarms]
            print(dump({"at": now, "do": do, "told": told, "refused": refused, "shown": shown}))
            done += 1


if __name__ == "__main__":
    main()
