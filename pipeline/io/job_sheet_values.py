"""What a job sheet's cells may hold: the rules of the config, in words that name the column."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.config.faults import Fault, shown
from pipeline.config.load import value_faults
from pipeline.config.weld import WeldJob
from pipeline.config.weld_rules import wall_faults
from pipeline.config.weld_sections import Weld


def row_faults(cells: Mapping[str, str], keys: Mapping[str, str]) -> list[tuple[str, str]]:
    """Column and sentence for each cell that can't be; ``keys`` is column → the config's key.

    Each sentence names the column, what stands there and what may.
    """
    columns = {key: column for column, key in keys.items()}
    faults = value_faults(WeldJob, {keys[column]: text for column, text in cells.items()})
    wrong = {fault.key[-1] for fault in faults}
    if not wrong & {"diameter_mm", "wall_mm"} and {"diameter_mm", "wall_mm"} <= cells.keys():
        diameter_mm, wall_mm = float(cells["diameter_mm"]), float(cells["wall_mm"])
        faults += wall_faults(Weld.model_construct(id="", diameter_mm=diameter_mm, wall_mm=wall_mm))
    return [_told(fault, columns, cells) for fault in faults]


def _told(fault: Fault, columns: Mapping[str, str], cells: Mapping[str, str]) -> tuple[str, str]:
    column = columns[".".join(map(str, fault.key))]
    rule = fault.rule.replace("weld.diameter_mm", "diameter_mm")
    return column, f"column {column!r}: {shown(cells[column])} {rule}"
