"""HL7 FHIR R5 (5.0.0): plain values in, resources as dictionaries out; nothing is invented.

What is not known stays absent. Where FHIR asks for an element that this service does not keep, the
element carries the extension ``data-absent-reason`` instead of a made-up value. Prices are left
out: they are nobody's business outside the store.
"""
