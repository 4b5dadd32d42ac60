package likeness

// Linkage is linkage, for the test that holds it to its definition.
var Linkage = linkage
