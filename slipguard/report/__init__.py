"""A recorded drive as one HTML page that opens without a network.

``report_drive(recording, config)`` replays a drive and gives a ``Report``;
``write_page(report, path)`` writes the page. Needs the extra ``report`` (Bokeh).
"""

from slipguard.report.gather import Report, report_drive
from slipguard.report.page import write_page

__all__ = ["Report", "report_drive", "write_page"]
