"""The open national inventory: its items, where each stands in a record, and its codes.

The same tables serve reading and writing.

References
----------
memory: Federal Highway Administration (1995), Recording and Coding Guide for the Structure
Inventory and Appraisal of the Nation's Bridges, items by their numbers, appendix E for the record of
432 characters; the headers are those of the delimited files as published.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "BARS",
    "CLOSED",
    "CONCRETE",
    "CULVERT",
    "DECKS",
    "EASTERN",
    "FIELDS",
    "KEY",
    "OWNERS",
    "POSTED",
    "PREFIXES",
    "QUOTED",
    "RECORD_LENGTH",
    "SURFACES",
    "TAIL",
    "Field",
]

KEY = "STRUCTURE_NUMBER_008"
RECORD_LENGTH = 432


@dataclass(frozen=True, slots=True)
class Field:
    """One item of a record.

    Attributes
    ----------
    item : str
        Number in the coding guide.
    header : str
        Header in the delimited files.
    first, last : int
        Columns in the record of 432 characters, the first being 1.
    decimals : int
        Digits after the decimal point, which is not written in the record.
    number : bool
        Whether the guide calls the item numeric: digits, filled up with zeros from the left.
    """

    item: str
    header: str
    first: int
    last: int
    decimals: int
    number: bool

    @property
    def width(self) -> int:
        """Characters of the item."""
        return self.last - self.first + 1


# Item, header, width, decimals, numeric; in the order of the record, which leaves no gap up to item 116.
_ORDER: tuple[tuple[str, str, int, int, bool], ...] = (
    ("1", "STATE_CODE_001", 3, 0, True), ("8", "STRUCTURE_NUMBER_008", 15, 0, False),
    ("5A", "RECORD_TYPE_005A", 1, 0, False), ("5B", "ROUTE_PREFIX_005B", 1, 0, True),
    ("5C", "SERVICE_LEVEL_005C", 1, 0, True), ("5D", "ROUTE_NUMBER_005D", 5, 0, False),
    ("5E", "DIRECTION_005E", 1, 0, True), ("2", "HIGHWAY_DISTRICT_002", 2, 0, False),
    ("3", "COUNTY_CODE_003", 3, 0, True), ("4", "PLACE_CODE_004", 5, 0, True),
    ("6A", "FEATURES_DESC_006A", 24, 0, False), ("6B", "CRITICAL_FACILITY_006B", 1, 0, False),
    ("7", "FACILITY_CARRIED_007", 18, 0, False), ("9", "LOCATION_009", 25, 0, False),
    ("10", "MIN_VERT_CLR_010", 4, 2, True), ("11", "KILOPOINT_011", 7, 3, True),
    ("12", "BASE_HWY_NETWORK_012", 1, 0, True), ("13A", "LRS_INV_ROUTE_013A", 10, 0, False),
    ("13B", "SUBROUTE_NO_013B", 2, 0, True), ("16", "LAT_016", 8, 0, True), ("17", "LONG_017", 9, 0, True),
    ("19", "DETOUR_KILOS_019", 3, 0, True), ("20", "TOLL_020", 1, 0, True), ("21", "MAINTENANCE_021", 2, 0, True),
    ("22", "OWNER_022", 2, 0, True), ("26", "FUNCTIONAL_CLASS_026", 2, 0, True), ("27", "YEAR_BUILT_027", 4, 0, True),
    ("28A", "TRAFFIC_LANES_ON_028A", 2, 0, True), ("28B", "TRAFFIC_LANES_UND_028B", 2, 0, True),
    ("29", "ADT_029", 6, 0, True), ("30", "YEAR_ADT_030", 4, 0, True), ("31", "DESIGN_LOAD_031", 1, 0, True),
    ("32", "APPR_WIDTH_MT_032", 4, 1, True), ("33", "MEDIAN_CODE_033", 1, 0, True),
    ("34", "DEGREES_SKEW_034", 2, 0, True), ("35", "STRUCTURE_FLARED_035", 1, 0, True),
    ("36A", "RAILINGS_036A", 1, 0, False), ("36B", "TRANSITIONS_036B", 1, 0, False),
    ("36C", "APPR_RAIL_036C", 1, 0, False), ("36D", "APPR_RAIL_END_036D", 1, 0, False),
    ("37", "HISTORY_037", 1, 0, True), ("38", "NAVIGATION_038", 1, 0, False),
    ("39", "NAV_VERT_CLR_MT_039", 4, 1, True), ("40", "NAV_HORR_CLR_MT_040", 5, 1, True),
    ("41", "OPEN_CLOSED_POSTED_041", 1, 0, False), ("42A", "SERVICE_ON_042A", 1, 0, True),
    ("42B", "SERVICE_UND_042B", 1, 0, True), ("43A", "STRUCTURE_KIND_043A", 1, 0, True),
    ("43B", "STRUCTURE_TYPE_043B", 2, 0, True), ("44A", "APPR_KIND_044A", 1, 0, True),
    ("44B", "APPR_TYPE_044B", 2, 0, True), ("45", "MAIN_UNIT_SPANS_045", 3, 0, True),
    ("46", "APPR_SPANS_046", 4, 0, True), ("47", "HORR_CLR_MT_047", 3, 1, True),
    ("48", "MAX_SPAN_LEN_MT_048", 5, 1, True), ("49", "STRUCTURE_LEN_MT_049", 6, 1, True),
    ("50A", "LEFT_CURB_MT_050A", 3, 1, True), ("50B", "RIGHT_CURB_MT_050B", 3, 1, True),
    ("51", "ROADWAY_WIDTH_MT_051", 4, 1, True), ("52", "DECK_WIDTH_MT_052", 4, 1, True),
    ("53", "VERT_CLR_OVER_MT_053", 4, 2, True), ("54A", "VERT_CLR_UND_REF_054A", 1, 0, False),
    ("54B", "VERT_CLR_UND_054B", 4, 2, True), ("55A", "LAT_UND_REF_055A", 1, 0, False),
    ("55B", "LAT_UND_MT_055B", 3, 1, True), ("56", "LEFT_LAT_UND_MT_056", 3, 1, True),
    ("58", "DECK_COND_058", 1, 0, False), ("59", "SUPERSTRUCTURE_COND_059", 1, 0, False),
    ("60", "SUBSTRUCTURE_COND_060", 1, 0, False), ("61", "CHANNEL_COND_061", 1, 0, False),
    ("62", "CULVERT_COND_062", 1, 0, False), ("63", "OPR_RATING_METH_063", 1, 0, True),
    ("64", "OPERATING_RATING_064", 3, 1, True), ("65", "INV_RATING_METH_065", 1, 0, True),
    ("66", "INVENTORY_RATING_066", 3, 1, True), ("67", "STRUCTURAL_EVAL_067", 1, 0, False),
    ("68", "DECK_GEOMETRY_EVAL_068", 1, 0, False), ("69", "UNDCLRENCE_EVAL_069", 1, 0, False),
    ("70", "POSTING_EVAL_070", 1, 0, True), ("71", "WATERWAY_EVAL_071", 1, 0, False),
    ("72", "APPR_ROAD_EVAL_072", 1, 0, False), ("75A", "WORK_PROPOSED_075A", 2, 0, True),
    ("75B", "WORK_DONE_BY_075B", 1, 0, False), ("76", "IMP_LEN_MT_076", 6, 1, True),
    ("90", "DATE_OF_INSPECT_090", 4, 0, True), ("91", "INSPECT_FREQ_MONTHS_091", 2, 0, True),
    ("92A", "FRACTURE_092A", 3, 0, False), ("92B", "UNDWATER_LOOK_SEE_092B", 3, 0, False),
    ("92C", "SPEC_INSPECT_092C", 3, 0, False), ("93A", "FRACTURE_LAST_DATE_093A", 4, 0, False),
    ("93B", "UNDWATER_LAST_DATE_093B", 4, 0, False), ("93C", "SPEC_LAST_DATE_093C", 4, 0, False),
    ("94", "BRIDGE_IMP_COST_094", 6, 0, True), ("95", "ROADWAY_IMP_COST_095", 6, 0, True),
    ("96", "TOTAL_IMP_COST_096", 6, 0, True), ("97", "YEAR_OF_IMP_097", 4, 0, True),
    ("98A", "OTHER_STATE_CODE_098A", 3, 0, False), ("98B", "OTHER_STATE_PCNT_098B", 2, 0, True),
    ("99", "OTHR_STATE_STRUC_NO_099", 15, 0, False), ("100", "STRAHNET_HIGHWAY_100", 1, 0, True),
    ("101", "PARALLEL_STRUCTURE_101", 1, 0, False), ("102", "TRAFFIC_DIRECTION_102", 1, 0, True),
    ("103", "TEMP_STRUCTURE_103", 1, 0, False), ("104", "HIGHWAY_SYSTEM_104", 1, 0, True),
    ("105", "FEDERAL_LANDS_105", 1, 0, True), ("106", "YEAR_RECONSTRUCTED_106", 4, 0, True),
    ("107", "DECK_STRUCTURE_TYPE_107", 1, 0, False), ("108A", "SURFACE_TYPE_108A", 1, 0, False),
    ("108B", "MEMBRANE_TYPE_108B", 1, 0, False), ("108C", "DECK_PROTECTION_108C", 1, 0, False),
    ("109", "PERCENT_ADT_TRUCK_109", 2, 0, True), ("110", "NATIONAL_NETWORK_110", 1, 0, True),
    ("111", "PIER_PROTECTION_111", 1, 0, True), ("112", "BRIDGE_LEN_IND_112", 1, 0, False),
    ("113", "SCOUR_CRITICAL_113", 1, 0, False), ("114", "FUTURE_ADT_114", 6, 0, True),
    ("115", "YEAR_OF_FUTURE_ADT_115", 4, 0, True), ("116", "MIN_NAV_CLR_MT_116", 4, 1, True),
)  # fmt: skip


def _placed() -> dict[str, Field]:
    out: dict[str, Field] = {}
    at = 1
    for item, header, width, decimals, number in _ORDER:
        out[header] = Field(item, header, at, at + width - 1, decimals, number)
        at += width
    return out


FIELDS: dict[str, Field] = _placed()
# Columns of the delimited files of 123 columns after the items of the guide.
TAIL = ("FED_AGENCY", "SUBMITTED_BY", "BRIDGE_CONDITION", "LOWEST_RATING", "DECK_AREA")
# Items in single quotes in the delimited files.
QUOTED = ("FEATURES_DESC_006A", "FACILITY_CARRIED_007", "LOCATION_009")
# States whose longitudes are east though the guide's packed figure has no sign: Guam, Northern Marianas.
EASTERN = ("66", "69")

CONCRETE = ("1", "2")  # item 107
CULVERT = "19"  # item 43B
DECKS = {  # item 107, by our kinds of deck
    "1": "concrete",
    "2": "concrete",
    "3": "open grating",
    "4": "closed grating",
    "5": "steel",
    "6": "corrugated steel",
    "7": "aluminium",
    "8": "timber",
    "9": "other",
    "N": "none",
    "": "not stated",
}
SURFACES = {
    "0": "bare",
    "1": "bare",
    "2": "integral concrete overlay",
    "3": "latex concrete overlay",
    "4": "low-slump concrete overlay",
    "5": "epoxy overlay",
    "6": "bituminous overlay",
    "7": "timber",
    "8": "gravel",
    "9": "other overlay",
}
BARS = {"0": "bare", "1": "epoxy", "2": "galvanised"}
PREFIXES = {
    "1": "I",
    "2": "US",
    "3": "SR",
    "4": "CR",
    "5": "city street",
    "6": "federal lands road",
    "7": "state lands road",
}
OWNERS = {
    "01": "state highway agency", "02": "county highway agency", "03": "town or township highway agency",
    "04": "city or municipal highway agency", "11": "state park, forest or reservation agency",
    "12": "local park, forest or reservation agency", "21": "other state agency", "25": "other local agency",
    "26": "private", "27": "railroad", "31": "state toll authority", "32": "local toll authority",
    "60": "other federal agency", **{str(code): f"federal agency, code {code}" for code in range(61, 80)},
}  # fmt: skip
CLOSED = {"A": False, "B": False, "D": False, "E": False, "K": True, "P": False, "R": False}  # item 41
POSTED = {"A": False, "B": False, "D": False, "E": False, "P": True, "R": True}
