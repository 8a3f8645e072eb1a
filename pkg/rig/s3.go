package rig

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/aws/aws-sdk-go-v2/aws"
	"github.com/aws/aws-sdk-go-v2/credentials"
	"github.com/aws/aws-sdk-go-v2/service/s3"
)

// The S3 server's only user, known to every test; it listens on loopback and
// holds nothing.
const (
	s3Access = "rig-access"
	s3Secret = "rig-secret-of-a-private-server"
	s3Region = "us-east-1"
)

// S3 gives the URL of a fresh bucket on a private S3 server that all tests of
// the process share, for gocloud.dev's s3blob. The credentials are put into the
// environment of the test process, where s3blob and child processes find them.
func S3(t testing.TB) (bucketURL string) {
	t.Helper()
	server, err := sharedS3()
	if errors.Is(err, errNoS3) {
		missing(t, "the S3 server", "its module (deploy/tools/s3) could not be built: "+err.Error())
	}
	if err != nil {
		t.Fatalf("private S3 server: %v", err)
	}
	name := "bucket-" + strconv.FormatInt(server.made.Add(1), 10)
	if err := server.create(t.Context(), name); err != nil {
		t.Fatalf("private S3 server: %v", err)
	}
	return server.url(name)
}

var errNoS3 = errors.New("no S3 server")

var sharedStore struct {
	once   sync.Once
	server *s3Server
	err    error
}

func sharedS3() (*s3Server, error) {
	sharedStore.once.Do(func() { sharedStore.server, sharedStore.err = startS3() })
	return sharedStore.server, sharedStore.err
}

func stopSharedS3() {
	sharedStore.once.Do(func() { sharedStore.err = errors.New("the tests have ended") })
	if sharedStore.server != nil {
		sharedStore.server.stop()
	}
}

// s3Server is a running private S3 server.
type s3Server struct {
	folder   *folder
	process  *Server
	endpoint string
	made     atomic.Int64
}

func startS3() (*s3Server, error) {
	path, err := goBuild("s3-server", "deploy/tools/s3", "github.com/versity/versitygw/cmd/versitygw")
	if err != nil {
		return nil, fmt.Errorf("%w: %w", errNoS3, err)
	}
	dir, err := newFolder("s3", -1, -1)
	if err != nil {
		return nil, err
	}
	s := &s3Server{folder: dir}
	if err := s.start(path); err != nil {
		dir.remove()
		return nil, err
	}
	return s, s.credentials()
}

func (s *s3Server) start(path string) error {
	// The sidecar keeps object attributes in files, for filesystems without
	// extended attributes.
	objects, sidecar := filepath.Join(s.folder.path, "objects"), filepath.Join(s.folder.path, "attributes")
	for _, dir := range []string{objects, sidecar} {
		if err := os.Mkdir(dir, 0o700); err != nil {
			return err
		}
	}
	var err error
	s.process, _, err = launchOnFreePort(func(address string) Program {
		s.endpoint = "http://" + address
		return Program{Path: path, Dir: s.folder.path,
			Args:  []string{"--port", address, "--quiet", "--region", s3Region, "posix", "--sidecar", sidecar, objects},
			Env:   []string{"ROOT_ACCESS_KEY=" + s3Access, "ROOT_SECRET_KEY=" + s3Secret},
			Ready: s.ready}
	})
	return err
}

// credentials puts the server's credentials where s3blob looks for them, and
// keeps the client from asking a cloud machine's metadata service.
func (s *s3Server) credentials() error {
	return errors.Join(
		os.Setenv("AWS_ACCESS_KEY_ID", s3Access),
		os.Setenv("AWS_SECRET_ACCESS_KEY", s3Secret),
		os.Setenv("AWS_EC2_METADATA_DISABLED", "true"))
}

func (s *s3Server) client() *s3.Client {
	return s3.New(s3.Options{
		Region: s3Region, BaseEndpoint: &s.endpoint, UsePathStyle: true,
		Credentials:      credentials.NewStaticCredentialsProvider(s3Access, s3Secret, ""),
		RetryMaxAttempts: 1,
	})
}

func (s *s3Server) ready() error {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	_, err := s.client().ListBuckets(ctx, &s3.ListBucketsInput{})
	return err
}

func (s *s3Server) create(ctx context.Context, bucket string) error {
	if _, err := s.client().CreateBucket(ctx, &s3.CreateBucketInput{Bucket: aws.String(bucket)}); err != nil {
		return fmt.Errorf("create bucket %s: %w", bucket, err)
	}
	return nil
}

// url asks s3blob for paths instead of host names, and for checksums only
// where the protocol demands them, which every S3-compatible store understands.
func (s *s3Server) url(bucket string) string {
	u := url.URL{Scheme: "s3", Host: bucket, RawQuery: url.Values{
		"endpoint": {s.endpoint}, "region": {s3Region}, "use_path_style": {"true"},
		"request_checksum_calculation": {"when_required"},
	}.Encode()}
	return u.String()
}

func (s *s3Server) stop() {
	_ = s.process.process.Stop(syscall.SIGTERM, stopGrace)
	s.folder.remove()
}
