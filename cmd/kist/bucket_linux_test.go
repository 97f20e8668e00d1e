package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"github.com/kistarchive/kist/store/storage/objects/objectstest"
)

// TestBucket runs the scripts of testdata/bucket against a Ceph. Beside what other scripts have there are
//
//	user NAME             makes a user of it without rights, whose keys are in the shared file NAME.keys
//	policy BUCKET FILE    gives a bucket a policy
//	deny NAME BUCKET KEY  the user NAME may not remove an object
//	versions BUCKET       has a bucket keep versions from now on
//	lock BUCKET           makes a bucket that locks what is put, for a day
//	overwrite NAME BUCKET KEY  the user NAME writes an object anew without a condition
//
// $ENDPOINT is the store's, and $ADDRESS what follows a bucket and prefix in an address.
func TestBucket(t *testing.T) {
	ceph := objectstest.StartCeph(t, "../../testdata/ceph/run")
	p := bucketParams(ceph)
	p.Cmds["user"] = func(ts *testscript.TestScript, _ bool, args []string) {
		ceph.Do("user " + args[0])
		ts.Check(writeKeys(ts.MkAbs(args[0]+".keys"), args[0], args[0]+"-secret"))
	}
	p.Cmds["policy"] = func(ts *testscript.TestScript, _ bool, args []string) {
		ts.Check(ceph.SetPolicy(args[0], ts.ReadFile(args[1])))
	}
	p.Cmds["deny"] = func(ts *testscript.TestScript, _ bool, args []string) {
		if ceph.RemoveAs(args[0], args[1], args[2]) == nil {
			ts.Fatalf("%s may remove %s", args[0], args[2])
		}
	}
	p.Cmds["versions"] = func(ts *testscript.TestScript, _ bool, args []string) { ts.Check(ceph.KeepVersions(args[0])) }
	p.Cmds["lock"] = func(ts *testscript.TestScript, _ bool, args []string) { ts.Check(ceph.MakeLocked(args[0])) }
	p.Cmds["overwrite"] = func(ts *testscript.TestScript, _ bool, args []string) {
		ts.Check(ceph.Overwrite(args[0], args[1], args[2], []byte("overwritten")))
	}
	testscript.RunT(scriptT{t}, p)
}

// TestBucketSeaweed runs the script of the whole job against a SeaweedFS. A long run: see [objectstest.StartSeaweed].
func TestBucketSeaweed(t *testing.T) {
	p := bucketParams(objectstest.StartSeaweed(t, "../../testdata/seaweed/run"))
	p.Dir, p.Files = "", []string{"testdata/bucket/repository.txt"}
	testscript.RunT(scriptT{t}, p)
}

// bucketParams are those of scripts over an object store.
func bucketParams(e *objectstest.Engine) testscript.Params {
	p := scriptParams("testdata/bucket")
	setup := p.Setup
	p.Setup = func(env *testscript.Env) error {
		keys := filepath.Join(env.WorkDir, "kist.keys")
		env.Setenv("AWS_SHARED_CREDENTIALS_FILE", keys)
		env.Setenv("AWS_EC2_METADATA_DISABLED", "true")
		env.Setenv("ENDPOINT", e.Endpoint)
		env.Setenv("ADDRESS", "?endpoint="+e.Endpoint)
		if err := setup(env); err != nil {
			return err
		}
		return writeKeys(keys, e.AccessKey, e.SecretKey)
	}
	return p
}

func writeKeys(file, access, secret string) error {
	return os.WriteFile(file, []byte("[default]\naws_access_key_id = "+access+"\naws_secret_access_key = "+secret+"\n"), 0o600)
}
