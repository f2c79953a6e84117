package authority

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"liftbank/agent/disk"
	"liftbank/agent/safefile"
)

// ConfigFile is a unit's configuration in its folder.
const ConfigFile = "unit.yaml"

// Owner is who may read the keys besides their owner.
type Owner struct {
	Group int // id of a group; -1: nobody
}

// Write puts a certificate, its key if it is new, the authority's certificate and, of a unit with a
// template, its configuration into a folder of the owner's name below out. It returns the files.
func Write(out string, made Issued, config []byte, keyOwner Owner) (files []string, err error) {
	dir := filepath.Join(out, made.Name)
	if err := safefile.MakeDir(dir, 0o755); err != nil {
		return nil, err
	}
	put := func(name string, data []byte, prepare func(disk.File) error) {
		if err != nil || data == nil {
			return
		}
		path := filepath.Join(dir, name)
		if err = safefile.Replace(path, data, prepare); err == nil {
			files = append(files, path)
		}
	}
	public := func(f disk.File) error { return chmod(f, 0o644) }
	put(keyName(made.Name), made.Key, keyOwner.give)
	put(CertFile, made.Authority, public)
	put(certName(made.Name), made.Cert, public)
	put(ConfigFile, config, public)
	if err != nil {
		return files, fmt.Errorf("%s: %w: its certificate is in the index: renew it with --new-key", made.Name, err)
	}
	return files, nil
}

// give lets the group read a key, which is its owner's alone otherwise.
func (o Owner) give(f disk.File) error {
	if o.Group < 0 {
		return nil // a new file has mode 0600
	}
	file, ok := f.(*os.File)
	if !ok {
		return fmt.Errorf("%s: not a file of this system", f.Name())
	}
	if err := file.Chown(-1, o.Group); err != nil {
		return err
	}
	return file.Chmod(fs.FileMode(0o640))
}
