"""Printed sheets to stand beside the microscope: what to set and when, and what to see."""
