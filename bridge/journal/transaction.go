package journal

import (
	"context"
	"database/sql/driver"
	"errors"
)

// transaction is under way on the driver's own connection. One of database/sql starts a
// goroutine that waits for the end of its context, and to wake it twice costs a small
// computer more than to write a second's readings.
type transaction struct {
	conn     driver.Conn
	prepared map[string]driver.Stmt // by query: to parse one takes as long as to run it
	args     []driver.NamedValue    // of a statement; the memory is used again
}

// exec runs a statement.
func (t *transaction) exec(query string, args ...driver.Value) error {
	s := t.prepared[query]
	if s == nil {
		var err error
		if s, err = t.conn.Prepare(query); err != nil {
			return err
		}
		t.prepared[query] = s
	}
	t.args = t.args[:0]
	for i, arg := range args {
		t.args = append(t.args, driver.NamedValue{Ordinal: i + 1, Value: arg})
	}
	_, err := s.(driver.StmtExecContext).ExecContext(context.Background(), t.args)
	return err
}

// inTransaction calls do in a transaction. After an error of any part of it the file is as it
// was. Everybody else waits for the connection meanwhile.
func (j *Journal) inTransaction(ctx context.Context, do func(*transaction) error) error {
	return j.onConnection(ctx, func(c any) error {
		t := &j.transaction
		if t.conn != c { // the first time, and if the library has replaced a broken connection
			*t = transaction{conn: c.(driver.Conn), prepared: map[string]driver.Stmt{}}
		}
		if err := t.exec("BEGIN"); err != nil {
			return err
		}
		err := do(t)
		if err == nil {
			err = t.exec("COMMIT")
		}
		if err != nil {
			t.exec("ROLLBACK") // fails where SQLite has done that itself
		}
		return err
	})
}

// closeStatements closes what transactions have prepared; otherwise the file would stay open.
// Those of a connection that the library has replaced are lost, and stay to the end of the
// process.
func (j *Journal) closeStatements() error {
	if j.transaction.conn == nil {
		return nil
	}
	return j.onConnection(context.Background(), func(c any) (err error) {
		for _, s := range j.transaction.prepared {
			if j.transaction.conn == c {
				err = errors.Join(err, s.Close())
			}
		}
		j.transaction = transaction{}
		return err
	})
}

// onConnection calls do with the driver's connection, which nobody else uses meanwhile.
func (j *Journal) onConnection(ctx context.Context, do func(c any) error) error {
	conn, err := j.DB.Conn(ctx)
	if err != nil {
		return err
	}
	defer conn.Close()
	return conn.Raw(do)
}
