"""Witness Mark: the service-event ledger for medical-gas regulators."""
