"""The record of a piece's finish: facts gathered once, told for the customer or for the shop, as PDF or HTML."""
