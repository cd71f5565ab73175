"""Codes of FHIR R5 (5.0.0), written by hand from its pages: what the required bindings allow.

The models of ``fhir.resources`` check structure and types, and take any word for a code.
"""

_HL7 = "https://hl7.org/fhir/R5/valueset-"


#: Where each list stands.
SOURCES = {
    "device-status": f"{_HL7}device-status.html",
    "device-nametype": f"{_HL7}device-nametype.html",
    "deviceusage-status": f"{_HL7}deviceusage-status.html",
    "supplyrequest-status": f"{_HL7}supplyrequest-status.html",
    "supplydelivery-status": f"{_HL7}supplydelivery-status.html",
    "supplydelivery-supplyitemtype": f"{_HL7}supplydelivery-supplyitemtype.html",
    "inventoryreport-status": f"{_HL7}inventoryreport-status.html",
    "inventoryreport-counttype": f"{_HL7}inventoryreport-counttype.html",
    "data-absent-reason": f"{_HL7}data-absent-reason.html",
    "bundle-type": f"{_HL7}bundle-type.html",
    "search-entry-mode": f"{_HL7}search-entry-mode.html",
    "iana-link-relations": "https://www.iana.org/assignments/link-relations (those of paging)",
    "issue-severity": f"{_HL7}issue-severity.html",
    "issue-type": f"{_HL7}issue-type.html",
    "publication-status": f"{_HL7}publication-status.html",
    "capability-statement-kind": f"{_HL7}capability-statement-kind.html",
    "restful-capability-mode": f"{_HL7}restful-capability-mode.html",
    "type-restful-interaction": f"{_HL7}type-restful-interaction.html",
    "versioning-policy": f"{_HL7}versioning-policy.html",
    "reference-handling-policy": f"{_HL7}reference-handling-policy.html",
    "FHIR-version": f"{_HL7}FHIR-version.html (the one published R5)",
    "ucum": "https://ucum.org/ucum (mm and deg; what stands in curly braces is an annotation)",
}


CODES: dict[str, frozenset[str]] = {
    "device-status": frozenset({"active", "inactive", "entered-in-error"}),
    "device-nametype": frozenset(
        {"registered-name", "user-friendly-name", "patient-reported-name"}
    ),
    "deviceusage-status": frozenset(
        {
            *("active", "completed", "not-done", "entered-in-error"),
            *("intended", "stopped", "on-hold"),
        }
    ),
    "supplyrequest-status": frozenset(
        {
            *("draft", "active", "suspended", "cancelled", "completed"),
            *("entered-in-error", "unknown"),
        }
    ),
    "supplydelivery-status": frozenset(
        {"in-progress", "completed", "abandoned", "entered-in-error"}
    ),
    "supplydelivery-supplyitemtype": frozenset(
        {"medication", "device", "biologicallyderivedproduct"}
    ),
    "inventoryreport-status": frozenset({"draft", "requested", "active", "entered-in-error"}),
    "inventoryreport-counttype": frozenset({"snapshot", "difference"}),
    "data-absent-reason": frozenset(
        {
            *("unknown", "asked-unknown", "temp-unknown", "not-asked", "asked-declined"),
            *("masked", "not-applicable", "unsupported", "as-text", "error", "not-a-number"),
            *("negative-infinity", "positive-infinity", "not-performed", "not-permitted"),
        }
    ),
    "bundle-type": frozenset(
        {
            *("document", "message", "transaction", "transaction-response", "batch"),
            *("batch-response", "history", "searchset", "collection"),
            "subscription-notification",
        }
    ),
    "search-entry-mode": frozenset({"match", "include", "outcome"}),
    "iana-link-relations": frozenset({"self", "first", "prev", "next", "last"}),
    "issue-severity": frozenset({"fatal", "error", "warning", "information", "success"}),
    "issue-type": frozenset(
        {
            *("invalid", "structure", "required", "value", "invariant"),
            *("security", "login", "unknown", "expired", "forbidden", "suppressed"),
            *("processing", "not-supported", "duplicate", "multiple-matches", "not-found"),
            *("deleted", "too-long", "code-invalid", "extension", "too-costly"),
            *("business-rule", "conflict", "limited-filter"),
            *("transient", "lock-error", "no-store", "exception", "timeout", "incomplete"),
            *("throttled", "informational", "success"),
        }
    ),
    "publication-status": frozenset({"draft", "active", "retired", "unknown"}),
    "capability-statement-kind": frozenset({"instance", "capability", "requirements"}),
    "restful-capability-mode": frozenset({"client", "server"}),
    "type-restful-interaction": frozenset(
        {
            *("read", "vread", "update", "patch", "delete", "history-instance"),
            *("history-type", "create", "search-type"),
        }
    ),
    "versioning-policy": frozenset({"no-version", "versioned", "versioned-update"}),
    "reference-handling-policy": frozenset({"literal", "logical", "resolves", "enforced", "local"}),
    "FHIR-version": frozenset({"5.0.0"}),
    "ucum": frozenset({"mm", "deg", "{each}"}),
}


#: Which list binds an element, by the element's path; from the page of each resource.
BINDINGS = {
    "Device.status": "device-status",
    "Device.name.type": "device-nametype",
    "DeviceDefinition.deviceName.type": "device-nametype",
    "DeviceUsage.status": "deviceusage-status",
    "SupplyRequest.status": "supplyrequest-status",
    "SupplyDelivery.status": "supplydelivery-status",
    "SupplyDelivery.type.coding.code": "supplydelivery-supplyitemtype",
    "InventoryReport.status": "inventoryreport-status",
    "InventoryReport.countType": "inventoryreport-counttype",
    "Bundle.type": "bundle-type",
    "Bundle.entry.search.mode": "search-entry-mode",
    "Bundle.link.relation": "iana-link-relations",
    "OperationOutcome.issue.severity": "issue-severity",
    "OperationOutcome.issue.code": "issue-type",
    "CapabilityStatement.status": "publication-status",
    "CapabilityStatement.kind": "capability-statement-kind",
    "CapabilityStatement.fhirVersion": "FHIR-version",
    "CapabilityStatement.rest.mode": "restful-capability-mode",
    "CapabilityStatement.rest.resource.interaction.code": "type-restful-interaction",
    "CapabilityStatement.rest.resource.versioning": "versioning-policy",
    "CapabilityStatement.rest.resource.referencePolicy": "reference-handling-policy",
}
