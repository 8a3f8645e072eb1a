package access

import (
	"embed"
	"io/fs"

	"spindlewright/pkg/db"
)

//go:embed migrations/*.sql
var migrationFiles embed.FS

// AuditMigrations creates audit and revocation tables; every service has them.
var AuditMigrations = db.Migrations{Name: "access_audit", Files: migrations()}

func migrations() fs.FS {
	files, err := fs.Sub(migrationFiles, "migrations")
	if err != nil { // the folder is embedded above
		return migrationFiles
	}
	return files
}
