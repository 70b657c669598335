package bridge

import (
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/journal"
)

// Only one process at a time may open a journal, and the error names the process that has it.
// Others may read it. The lock of a killed process is released.
func TestOneProcessPerJournal(t *testing.T) {
	data := t.TempDir()
	p := childBridge(t, strings.Replace(bridgetest.SmallConfig, "/tmp/x", data, 1)+"broker: {url: 'tcp://127.0.0.1:1'}\n", 1)
	p.Start()
	path := filepath.Join(data, "bay2.journal")
	holder := fmt.Sprint(p.Cmd.Process.Pid)
	bridgetest.Eventually(t, 20*time.Second, "the other process's journal", func() bool {
		text, _ := os.ReadFile(path + ".lock")
		return strings.TrimSpace(string(text)) == holder
	})
	refused := func(who string) {
		t.Helper()
		j, err := journal.Open(path)
		if err == nil {
			j.Close()
		}
		if err == nil || !strings.Contains(err.Error(), path+": process "+who+" is using it") {
			t.Errorf("opened a second time: %v, want process %s named", err, who)
		}
	}
	refused(holder)
	p.Stop(syscall.SIGKILL)
	j := journaltest.Open(t, path)
	journaltest.Append(t, j, journal.Batch{Answers: []journal.Answer{{ID: "a", Reply: []byte("{}")}}})
	refused(fmt.Sprint(os.Getpid()))
	db, err := sql.Open("sqlite", "file:"+path+"?mode=ro")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	var n int
	if err := db.QueryRow("SELECT count(*) FROM answer").Scan(&n); err != nil || n != 1 {
		t.Errorf("a reader sees %d answers, %v", n, err)
	}
	refused(fmt.Sprint(os.Getpid())) // what was refused before has not let go of it
	if err := j.Close(); err != nil {
		t.Error(err)
	}
	journaltest.Open(t, path)
}
