"""Frames → charts → pages, sheets, work lists: the only place that knows Altair, templates and colours.

``data.MonthData`` is all that the pages of a month need; ``pages.write_month`` writes them; ``sheet.write_sheet``
writes one evacuation's evidence sheet; ``handover.write_handover`` the maintenance list for other programs.
"""
