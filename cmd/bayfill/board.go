package main

import (
	"cmp"
	"errors"
	"fmt"
	"net"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"bayfill/bridge/board"
	"bayfill/bridge/config"
)

func boardCommand() *cobra.Command {
	var (
		conf                           board.Config
		listen                         string
		passwordFile, pagePasswordFile string
		secured                        tlsFlags
		signing                        signingFlag
		names                          []string
	)
	cmd := &cobra.Command{
		Use:   "board",
		Short: "Serve a page for the screen in the bay",
		Long: `Serve a page for the screen in the bay: what came out, what went in and what
remains, the check window, what to do next, cautions and alerts, live. It shows
all carts at / and one at /cart/NAME.

With --may-command the page has buttons. Whoever can open it may then press
them: beyond this computer's own browsers it needs a password of its own.`,
		Example: `  bayfill board --broker tcp://127.0.0.1:1883 --shop hilltop
  bayfill board --broker tcp://127.0.0.1:1883 --username technician --password-file technician.password --may-command`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			var err error
			if conf.Password, err = (config.Secret{File: passwordFile}).Read(); err != nil {
				return configError{fmt.Errorf("--password-file: %w", err)}
			}
			if conf.PagePassword, err = (config.Secret{File: pagePasswordFile}).Read(); err != nil {
				return configError{fmt.Errorf("--page-password-file: %w", err)}
			}
			if conf.TLS, err = secured.config(); err != nil {
				return err
			}
			if conf.Signer, err = signing.signer(); err != nil {
				return err
			}
			if err := conf.Check(); err != nil {
				return configError{err}
			}
			if conf.MayCommand && conf.Username == "" {
				return configError{errors.New("--may-command needs --username: commanding takes a user with that right")}
			}
			if pagePasswordFile != "" && conf.PagePassword == "" {
				return configError{fmt.Errorf("--page-password-file: %s is empty", pagePasswordFile)}
			}
			listener, err := net.Listen("tcp", listen)
			if err != nil {
				return fmt.Errorf("--listen: %w", err)
			}
			defer listener.Close()
			if conf.MayCommand && conf.PagePassword == "" && !listener.Addr().(*net.TCPAddr).IP.IsLoopback() {
				return configError{fmt.Errorf("--may-command on %s needs --page-password-file: anybody in this network could press the buttons", listener.Addr())}
			}
			conf.Names = names
			if host, err := os.Hostname(); err == nil {
				host = strings.ToLower(host)
				conf.Names = append(conf.Names, host, host+".local")
			}
			fmt.Fprintf(cmd.OutOrStdout(), "Board at http://%s/\n", listener.Addr())
			return board.Run(cmd.Context(), conf, listener)
		},
	}
	f := cmd.Flags()
	f.StringVar(&conf.Broker, "broker", cmp.Or(os.Getenv("BAYFILL_BROKER"), "tcp://127.0.0.1:1883"), "MQTT broker, as tcp://HOST:PORT or ssl://HOST:PORT (BAYFILL_BROKER)")
	secured.add(f)
	signing.add(f)
	f.StringVar(&conf.Username, "username", os.Getenv("BAYFILL_USERNAME"), "user on the broker (BAYFILL_USERNAME)")
	f.StringVar(&passwordFile, "password-file", os.Getenv("BAYFILL_PASSWORD_FILE"), "file that holds the password (BAYFILL_PASSWORD_FILE)")
	f.StringVar(&conf.Shop, "shop", os.Getenv("BAYFILL_SHOP"), "shop whose carts to show; empty: all (BAYFILL_SHOP)")
	f.BoolVar(&conf.MayCommand, "may-command", false, "show buttons that send commands as this user")
	f.StringVar(&listen, "listen", "127.0.0.1:8080", "address to serve the page on")
	f.StringVar(&pagePasswordFile, "page-password-file", "", "file with a password that every browser is asked for (any user name)")
	f.StringSliceVar(&names, "name", nil, "name under which browsers reach this computer, besides its own and its addresses")
	return cmd
}
