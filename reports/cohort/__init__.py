"""How a cohort is shown: who was left out at each step, and its baseline table."""

from .flow import flow_csv, flow_lines, flow_svg

__all__ = ["flow_csv", "flow_lines", "flow_svg"]
