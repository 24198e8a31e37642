package log

import "os"

// RecordAt says where an entry lies, for tests that damage it.
type RecordAt struct {
	Path   string
	Offset int64
	Size   int64
	Seq    uint64
}

// Records lists the entries in the files of a whole log.
func Records(dir string) ([]RecordAt, error) {
	files, err := blockFiles(dir)
	if err != nil {
		return nil, err
	}
	var list []RecordAt
	for _, f := range files {
		buf, err := os.ReadFile(f.path)
		if err != nil {
			return nil, err
		}
		sum := blockSum(f.index)
		for at := int64(0); at < int64(len(buf)); {
			r, fault := cut(buf, at, sum)
			if fault != faultNone {
				break
			}
			list = append(list, RecordAt{f.path, at, int64(r.size), r.seq})
			at += int64(r.size)
		}
	}
	return list, nil
}

// StreamDir, the names under the log's directory.
var StreamDir = streamDir

const (
	CopyDir        = copyDir
	RestorePending = restorePending
)
