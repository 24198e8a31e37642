package main

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"tickover/services/access/provider"
)

// providerFlags let people sign in at an OpenID provider, beside passwords.
type providerFlags struct {
	OidcIssuer string `help:"Let people sign in at this OpenID provider, beside passwords: its issuer, https://…" placeholder:"URL"`
	OidcClient string `help:"What the provider knows Tickover as (client id). It has to know the address https://HOST/sign-in/provider/back too." placeholder:"ID"`
	OidcSecret string `help:"File with the client's secret; without, a public client." type:"existingfile" placeholder:"FILE"`
	OidcName   string `help:"What people call the provider; on the button." placeholder:"NAME"`
}

const secretBytesMax = 4 << 10

// provider is the one of the flags; nil: there is none.
func (f *providerFlags) provider() (*provider.Provider, error) {
	if f.OidcIssuer == "" {
		if f.OidcClient != "" || f.OidcSecret != "" || f.OidcName != "" {
			return nil, errors.New("--oidc-client, --oidc-secret and --oidc-name say how to speak to a provider: give --oidc-issuer too")
		}
		return nil, nil
	}
	if f.OidcClient == "" {
		return nil, errors.New("--oidc-issuer: give the client id too, --oidc-client")
	}
	o := provider.Options{Issuer: f.OidcIssuer, Client: f.OidcClient, Name: f.OidcName, Now: time.Now}
	if f.OidcSecret != "" {
		b, err := os.ReadFile(f.OidcSecret)
		if err != nil {
			return nil, fmt.Errorf("secret of the OpenID client: %w", err)
		}
		o.Secret = strings.TrimSpace(string(b))
		if o.Secret == "" || len(o.Secret) > secretBytesMax {
			return nil, fmt.Errorf("secret of the OpenID client: %s is empty or no secret", f.OidcSecret)
		}
	}
	p, err := provider.New(o)
	if err != nil {
		return nil, fmt.Errorf("--oidc-issuer: %w", err)
	}
	return p, nil
}
