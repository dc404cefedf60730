"""The invented yard of a volunteer mountain-rescue team.

Every machine, fluid, seller and number in here is invented.
"""
