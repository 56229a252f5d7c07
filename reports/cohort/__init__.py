"""How a cohort is shown: who was left out at each step, and its baseline table."""

from .flow import cohort_svg, flow_csv, flow_lines

__all__ = ["cohort_svg", "flow_csv", "flow_lines"]
