package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"bayfill/bridge/board"
	"bayfill/bridge/config"
)

type boardOptions struct {
	board                          board.Config
	listen                         string
	passwordFile, pagePasswordFile string
	tls                            tlsFlags
	signing                        signingFlag
	names                          []string
	reader                         readerFlags
}

func boardCommand() *cobra.Command {
	var o boardOptions
	cmd := &cobra.Command{
		Use:   "board",
		Short: "Serve a page for the screen in the bay",
		Long: `Serve a page for the screen in the bay: what came out, what went in and what
remains, the check window, what to do next, cautions and alerts, live. It shows
all carts at / and one at /cart/NAME. Without --shop, / lists all shops with how many
carts need somebody, and finds shops, carts and vehicles. --units and --lang are what a screen shows
until somebody chooses there.

With --may-command the page has buttons, and everybody who can open it can press
them. Unless only the browsers of this computer can reach it, it therefore needs
--page-password-file.`,
		Example: `  bayfill board --broker tcp://127.0.0.1:1883 --shop hilltop
  bayfill board --broker tcp://127.0.0.1:1883 --username technician --password-file technician.password --may-command`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return o.run(cmd.Context(), cmd.OutOrStdout())
		},
	}
	f := cmd.Flags()
	f.StringSliceVar(&o.board.Brokers, "broker", brokerDefault(), brokerHelp)
	o.tls.add(f)
	o.signing.add(f)
	f.StringVar(&o.board.Username, "username", os.Getenv("BAYFILL_USERNAME"), usernameHelp)
	f.StringVar(&o.passwordFile, "password-file", os.Getenv("BAYFILL_PASSWORD_FILE"), passwordFileHelp)
	f.StringVar(&o.board.Shop, "shop", os.Getenv("BAYFILL_SHOP"), "shop whose carts are shown; empty: all shops (BAYFILL_SHOP)")
	f.BoolVar(&o.board.MayCommand, "may-command", false, "show buttons that send commands as this user")
	f.StringVar(&o.listen, "listen", "127.0.0.1:8080", "address to serve the page on")
	f.StringVar(&o.pagePasswordFile, "page-password-file", "", "file with a password that every browser is asked for (with any user name)")
	f.StringSliceVar(&o.names, "name", nil, "host name by which browsers reach this computer, besides its own name and addresses")
	o.reader.add(f)
	return cmd
}

func (o *boardOptions) run(ctx context.Context, out io.Writer) error {
	if err := o.readFiles(); err != nil {
		return err
	}
	var err error
	if o.board.Reader, err = o.reader.reader(""); err != nil {
		return err
	}
	if o.reader.units == "" {
		o.board.Reader.Units = "" // each cart's shop
	}
	if err := o.board.Check(); err != nil {
		return configError{err}
	}
	if o.board.MayCommand && o.board.Username == "" {
		return configError{errors.New("--may-command needs --username: commands need a user with that right")}
	}
	listener, err := net.Listen("tcp", o.listen)
	if err != nil {
		return fmt.Errorf("--listen: %w", err)
	}
	defer listener.Close()
	if o.board.MayCommand && o.board.PagePassword == "" && !listener.Addr().(*net.TCPAddr).IP.IsLoopback() {
		return configError{fmt.Errorf("--may-command on %s needs --page-password-file: everybody in this network could press the buttons", listener.Addr())}
	}
	o.board.Names = o.names
	if host, err := os.Hostname(); err == nil {
		host = strings.ToLower(host)
		o.board.Names = append(o.board.Names, host, host+".local")
	}
	fmt.Fprintf(out, "Board at http://%s/\n", listener.Addr())
	return board.Run(ctx, o.board, listener)
}

// readFiles reads passwords, certificates and keys.
func (o *boardOptions) readFiles() (err error) {
	if o.board.Password, err = (config.Secret{File: o.passwordFile}).Read(); err != nil {
		return configError{fmt.Errorf("--password-file: %w", err)}
	}
	if o.board.PagePassword, err = (config.Secret{File: o.pagePasswordFile}).Read(); err != nil {
		return configError{fmt.Errorf("--page-password-file: %w", err)}
	}
	if o.pagePasswordFile != "" && o.board.PagePassword == "" {
		return configError{fmt.Errorf("--page-password-file: %s is empty", o.pagePasswordFile)}
	}
	if o.board.TLS, err = o.tls.config(); err != nil {
		return err
	}
	o.board.Signer, err = o.signing.signer()
	return err
}
