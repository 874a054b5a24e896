"""The room of the exports: a case as FHIR, NEMSIS, CSV, JSON lines or a copy, by pure functions over its entries."""
