// Package migrations carries the database's schema as numbered SQL files.
//
// Migrations only add: a service one release older must keep working on the
// migrated schema, so that two versions can run side by side during an
// upgrade. What is no longer used is dropped a release later.
package migrations

import "embed"

// Files are the migrations in goose's SQL format.
//
//go:embed *.sql
var Files embed.FS
