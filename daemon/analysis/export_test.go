package analysis

// Guarded lets an analysis panic.
var Guarded = guarded
