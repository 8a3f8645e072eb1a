package access

import (
	"crypto/ed25519"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

const (
	keyFileMode = 0o600
	pemType     = "PRIVATE KEY" // PKCS #8, RFC 5958
)

// OpenKeyFile reads an Ed25519 key (PEM, PKCS #8) and makes the file when
// there is none. Two processes that start at once end up with the same key.
func OpenKeyFile(path string) (ed25519.PrivateKey, error) {
	key, err := ReadKeyFile(path)
	if !errors.Is(err, fs.ErrNotExist) {
		return key, err
	}
	_, fresh, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return nil, err
	}
	if err := CreateKeyFile(path, fresh); err != nil && !errors.Is(err, fs.ErrExist) {
		return nil, err
	}
	return ReadKeyFile(path)
}

// ReadKeyFile reads an Ed25519 key. A file that anybody but its owner may
// touch is refused, with the command that mends it.
func ReadKeyFile(path string) (ed25519.PrivateKey, error) {
	if err := onlyOwners(path); err != nil {
		return nil, err
	}
	raw, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read a key: %w", err)
	}
	block, _ := pem.Decode(raw)
	if block == nil || block.Type != pemType {
		return nil, fmt.Errorf("key file %s is not PEM of type %q", path, pemType)
	}
	parsed, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return nil, fmt.Errorf("key file %s: %w", path, err)
	}
	key, ok := parsed.(ed25519.PrivateKey)
	if !ok {
		return nil, fmt.Errorf("key file %s holds a key that is not Ed25519", path)
	}
	return key, nil
}

func onlyOwners(path string) error {
	info, err := os.Stat(path)
	if err != nil {
		return fmt.Errorf("read a key: %w", err)
	}
	if !info.Mode().IsRegular() {
		return fmt.Errorf("key file %s is not a regular file", path)
	}
	if mode := info.Mode().Perm(); mode&^keyFileMode != 0 {
		return fmt.Errorf("key file %s has mode %04o, so that others may use the key; run: chmod 600 %s", path, mode, path)
	}
	return nil
}

// CreateKeyFile writes a key where no file is yet, whole or not at all; it
// answers fs.ErrExist when there is one.
func CreateKeyFile(path string, key ed25519.PrivateKey) error {
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return fmt.Errorf("write a key: %w", err)
	}
	temporary, err := writeSecret(filepath.Dir(path), pem.EncodeToMemory(&pem.Block{Type: pemType, Bytes: der}))
	if err != nil {
		return err
	}
	defer func() { _ = os.Remove(temporary) }()
	// A link, unlike a rename, fails when the name is taken.
	if err := os.Link(temporary, path); err != nil {
		return fmt.Errorf("write a key: %w", err)
	}
	return syncFolder(filepath.Dir(path))
}

// WriteSecretFile writes a text for its owner's eyes only, in place of what
// was there.
func WriteSecretFile(path string, text []byte) error {
	temporary, err := writeSecret(filepath.Dir(path), text)
	if err != nil {
		return err
	}
	if err := os.Rename(temporary, path); err != nil {
		_ = os.Remove(temporary)
		return fmt.Errorf("write a secret: %w", err)
	}
	return syncFolder(filepath.Dir(path))
}

// writeSecret writes a synced temporary file of mode 0600 beside its goal.
func writeSecret(folder string, text []byte) (string, error) {
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return "", fmt.Errorf("write a secret: %w", err)
	}
	f, err := os.CreateTemp(folder, ".secret-*") // made with mode 0600
	if err != nil {
		return "", fmt.Errorf("write a secret: %w", err)
	}
	_, err = f.Write(text)
	if err == nil {
		err = f.Sync()
	}
	if closeErr := f.Close(); err == nil {
		err = closeErr
	}
	if err != nil {
		_ = os.Remove(f.Name())
		return "", fmt.Errorf("write a secret: %w", err)
	}
	return f.Name(), nil
}

func syncFolder(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return fmt.Errorf("sync a folder: %w", err)
	}
	defer func() { _ = f.Close() }()
	return f.Sync()
}
