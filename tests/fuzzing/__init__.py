"""Damaged and odd input by the thousand: sources, mutations, what must hold, watched children."""
