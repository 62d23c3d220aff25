"""A recorded drive as one HTML page that opens without a network.

``report_drive(recording, config)`` replays a drive and gives a ``Report``;
``write_page(report, path)`` writes the page, ``take_picture`` one of its plots as a PNG.
``tuning_page(tuned, config)`` is the page of a tuning run.
``LabelServer(LabelDesk(report, drive), port)`` serves it for editing labels. Needs the extra
``report`` (Bokeh).
"""

from slipguard.report.desk import LabelDesk
from slipguard.report.gather import Report, report_drive
from slipguard.report.page import write_page
from slipguard.report.photo import take_picture
from slipguard.report.serve import LabelServer
from slipguard.report.tuning import tuning_page

__all__ = [
    "LabelDesk",
    "LabelServer",
    "Report",
    "report_drive",
    "take_picture",
    "tuning_page",
    "write_page",
]
