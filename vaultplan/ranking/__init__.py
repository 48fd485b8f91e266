"""Puts open orders in order of worth and says why."""
