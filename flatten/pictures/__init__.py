"""Pictures and pages: what a scan says, so that a stranger sees it.

    from flatten import pictures
    pictures.save_picture("aisle.png", cloud, scans, profile, attitude)
    entry = pictures.Entry("aisle.pcd", scans, picture="aisle.png")
    pictures.write_report("report.html", [entry], profile)
    print(pictures.report_text([entry]))

Pictures need matplotlib and pages jinja2, which are imported when they are called for; the text
needs neither.
"""

from flatten.pictures.blind import save_blind
from flatten.pictures.budget import save_latency
from flatten.pictures.elevation import draw_elevation
from flatten.pictures.entry import Entry, PairEntry, TruthCheck
from flatten.pictures.floor_view import draw_cut, draw_floor_plan
from flatten.pictures.map_view import MapView, draw_maps, map_view_job
from flatten.pictures.page import write_report
from flatten.pictures.pair import Side, save_pair
from flatten.pictures.plan_view import draw_plan
from flatten.pictures.sheet import save_picture
from flatten.pictures.text import report_text

__all__ = [
    "Entry",
    "MapView",
    "PairEntry",
    "Side",
    "TruthCheck",
    "draw_cut",
    "draw_elevation",
    "draw_floor_plan",
    "draw_maps",
    "draw_plan",
    "map_view_job",
    "report_text",
    "save_blind",
    "save_latency",
    "save_pair",
    "save_picture",
    "write_report",
]
