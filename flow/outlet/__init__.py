"""Speed logs for other programs: twist messages in a bag, or a table of samples."""

from flow.outlet.export import FILE_NAMES, Exported, Kind, export_log

__all__ = ["FILE_NAMES", "Exported", "Kind", "export_log"]
