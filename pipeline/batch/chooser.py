"""Which calibration each weld would get now, asked for many: what was read is remembered."""

from __future__ import annotations

import hashlib
from pathlib import Path

from pipeline.batch.facts import Facts, wanted_of
from pipeline.batch.index import Index
from pipeline.calibration.product import CalibrationFacts
from pipeline.choose import choose_wanted
from pipeline.config.weld_sections import CalibrationFolder
from pipeline.errors import CalibrationError
from pipeline.io.calibration_library import Library, is_library, read_library
from pipeline.io.calibration_store import read_facts


class Chooser:
    """Choices for one plan: libraries and calibrations are read once, as they are now.

    A choice that was made while all that bears on it was the same is taken from the index.
    """

    def __init__(self, index: Index) -> None:
        self._index = index
        self._libraries: dict[Path, Library | CalibrationError] = {}
        self._facts: dict[Path, tuple[str, CalibrationFacts] | CalibrationError] = {}
        self._states: dict[tuple[str, str], str] = {}
        self._told: dict[str, CalibrationFolder] = {}

    def choose(self, facts: Facts) -> tuple[str, str]:
        """The identity of the calibration, or "" and why there is none."""
        told = self._told.get(facts.told)
        if told is None:
            told = self._told[facts.told] = CalibrationFolder.model_validate_json(facts.told)
        key = (facts.told, facts.serial)
        if key not in self._states:
            self._states[key] = self._state(told, facts.serial)
        wanted = f"{facts.told} {facts.wanted}"
        known = self._index.choice(wanted, self._states[key])
        if known is None:
            known = self._choose(told, facts.wanted)
            self._index.put_choice(wanted, self._states[key], *known)
        return known

    def _choose(self, told: CalibrationFolder, wanted: str) -> tuple[str, str]:
        try:
            chosen = choose_wanted(
                told, wanted_of(wanted), library_of=self._library, facts_of=self._facts_of
            )
        except CalibrationError as error:
            return "", str(error).partition("\n")[0]
        return chosen.choice.entry.identity, ""

    def _state(self, told: CalibrationFolder, serial: str) -> str:
        """A digest of all that bears on choices for a panel."""
        digest = hashlib.blake2b(digest_size=16)
        places = [told.from_library]
        if told.folder is not None:
            try:
                digest.update(repr(self._facts_of(told.folder)).encode())
            except CalibrationError as error:
                digest.update(str(error).encode())
            home = told.folder.resolve().parent
            places.append(home if is_library(home) else None)
        for place in places:
            if place is None:
                continue
            try:
                entries = self._library(place).entries
            except CalibrationError as error:
                digest.update(str(error).encode())
                continue
            digest.update(repr([one for one in entries if one.facts.serial == serial]).encode())
        return digest.hexdigest()

    def _library(self, folder: Path) -> Library:
        if folder not in self._libraries:
            try:
                self._libraries[folder] = read_library(folder)
            except CalibrationError as error:
                self._libraries[folder] = error
        found = self._libraries[folder]
        if isinstance(found, CalibrationError):
            raise found
        return found

    def _facts_of(self, folder: Path) -> tuple[str, CalibrationFacts]:
        if folder not in self._facts:
            try:
                self._facts[folder] = read_facts(folder)
            except CalibrationError as error:
                self._facts[folder] = error
        found = self._facts[folder]
        if isinstance(found, CalibrationError):
            raise found
        return found
