"""Watching the shop: rules that look at it at a steady pace, and the loop that asks them."""
