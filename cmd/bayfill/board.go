package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"bayfill/bridge/board"
	"bayfill/bridge/config"
	"bayfill/bridge/door"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
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
		Short: "help.board",
		Long:  "help.board_more",
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
	f.StringVar(&o.board.Shop, "shop", os.Getenv("BAYFILL_SHOP"), "flag.shop_board")
	f.BoolVar(&o.board.MayCommand, "may-command", false, "flag.may-command")
	f.StringVar(&o.listen, "listen", "127.0.0.1:8080", "flag.listen")
	f.StringVar(&o.pagePasswordFile, "page-password-file", "", "flag.page-password-file")
	f.StringSliceVar(&o.names, "name", nil, "flag.name")
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
		return configError{words.NewError("usage.command_user")}
	}
	listener, err := door.TCP(o.listen)
	if err != nil {
		return fmt.Errorf("--listen: %w", err)
	}
	defer listener.Close()
	if o.board.MayCommand && o.board.PagePassword == "" && !listener.Addr().(*net.TCPAddr).IP.IsLoopback() {
		return configError{words.NewError("usage.command_open", "listen", listener.Addr())}
	}
	o.board.Names, o.board.Log = o.names, newLog(slog.LevelInfo).With("part", "board")
	if host, err := os.Hostname(); err == nil {
		host = strings.ToLower(host)
		o.board.Names = append(o.board.Names, host, host+".local")
	}
	fmt.Fprintln(out, o.board.Reader.Say(fillcalc.Text{Key: "usage.board_at", Names: names{"url": "http://" + listener.Addr().String() + "/"}}))
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
		return configError{words.NewError("usage.empty_file", "path", o.pagePasswordFile)}
	}
	if o.board.TLS, err = o.tls.config(); err != nil {
		return err
	}
	o.board.Signer, err = o.signing.signer()
	return err
}
