"""Outcomes research for diabetes clinics that place implanted long-life glucose sensors."""
