// Package blob keeps the bytes that records point to (traces, waveforms,
// photographs, reports) in a folder or in an S3-compatible bucket.
//
// In: a stream with the size and SHA-256 that its owner stated. Out: the same
// bytes, checked again while they are read.
//
// Invariants:
//   - a blob is whole or absent: it becomes visible in one step, after its size
//     and digest were found as stated;
//   - once Put has returned, the blob survives a power cut: the folder driver
//     writes a temporary file, flushes it, renames it, and flushes the folders
//     (the stock file driver of gocloud.dev flushes nothing);
//   - the key is <tenant>/<sha256> and both parts are checked, so that no name
//     leads out of the tenant's folder;
//   - putting a blob that is there changes nothing.
//
// The owner writes a `pending` row before Put and turns it `live` in the
// command's transaction; what stays pending is found by List and deleted by the
// owner's sweeper. This package knows nothing of rows.
package blob
