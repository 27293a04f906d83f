"""The report of a job: one HTML file that opens offline, a pure function of the verdict."""

from sessions.report.page import render_html

__all__ = ["render_html"]
