package deploytest

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nkeys"
)

// natsBinary is the server of go.mod, built once for all tests of a package.
var natsBinary = sync.OnceValues(func() (string, error) {
	dir := filepath.Join(os.TempDir(), fmt.Sprintf("tickover-nats-%d", os.Getuid()))
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return "", err
	}
	// The go command finds out whether it is still the right one.
	bin := filepath.Join(dir, "nats-server")
	unlock, err := exclusive(filepath.Join(dir, "lock"))
	if err != nil {
		return "", err
	}
	defer unlock()
	out, err := exec.Command("go", "build", "-o", bin, "github.com/nats-io/nats-server/v2").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("build the server of go.mod: %w\n%s", err, out)
	}
	return bin, nil
})

// exclusive waits for its turn among the tests of several packages.
func exclusive(path string) (func(), error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX); err != nil {
		return nil, err
	}
	return func() { _ = f.Close() }, nil
}

// NATSServer is the path of the server that go.mod pins.
func NATSServer(t testing.TB) string {
	t.Helper()
	bin, err := natsBinary()
	if err != nil {
		t.Fatal(err)
	}
	return bin
}

// Roles that have a key in deploy/nats/accounts.conf.
var Roles = []string{"all", "dispatch", "floor", "bench", "larkmoor_b1", "backup"}

// Cluster is three NATS nodes, each a process with the configuration of
// deploy/nats.
type Cluster struct {
	Nodes []*Node
	CA    string            // file
	Keys  map[string]string // role → file with its seed
	Certs map[string]string // "client" → certificate's file; its key beside it with .key
	dir   string
	links map[[2]int]*Proxy // from one node to another; nil: they meet directly
	doors []*Proxy          // of each node, for its clients; nil: they come directly
}

// Setup says what can be done to the nodes of a cluster; zero: kill, freeze.
type Setup struct {
	// Links: nodes can be cut off from each other and from their clients, see
	// [Cluster.Between] and [Cluster.Around].
	Links  bool
	Binary string         // the server; "": that of go.mod
	Stores map[int]string // where a node keeps its files; without: in a directory of the test
	Env    map[int]string // one further variable of a node
}

// Node is one of them.
type Node struct {
	Name, Store string
	URL         string // for clients
	Direct      string // the same, past what cuts the node off
	env         []string
	conf, bin   string
	cmd         *exec.Cmd
	out         *lines
}

// StartCluster starts three nodes, which end with the test, and waits until
// they can keep a log.
func StartCluster(t testing.TB) *Cluster { return StartClusterWith(t, Setup{}) }

// StartClusterWith is StartCluster with more that can be done to the nodes.
func StartClusterWith(t testing.TB, with Setup) *Cluster {
	t.Helper()
	c := &Cluster{dir: t.TempDir(), Keys: map[string]string{}, Certs: map[string]string{}}
	bin, env := with.Binary, c.secrets(t)
	if bin == "" {
		bin = NATSServer(t)
	}
	conf := filepath.Join(Root(t), "deploy", "nats", "node.conf")
	ports := [3]int{FreePort(t), FreePort(t), FreePort(t)}
	if with.Links {
		conf = c.link(t, conf, ports)
	}
	for i := range 3 {
		client := FreePort(t)
		n := &Node{Name: fmt.Sprintf("node-%c", 'a'+i), Direct: fmt.Sprintf("tls://127.0.0.1:%d", client), conf: conf, bin: bin}
		n.URL = n.Direct
		if with.Links {
			door := StartProxy(t, fmt.Sprintf("127.0.0.1:%d", client))
			c.doors, n.URL = append(c.doors, door), "tls://"+door.Addr
		}
		n.Store = filepath.Join(c.dir, n.Name)
		if at := with.Stores[i]; at != "" {
			n.Store = at
		}
		n.env = append(os.Environ(), env...)
		if more := with.Env[i]; more != "" {
			n.env = append(n.env, more)
		}
		for j, port := range ports {
			at := fmt.Sprintf("127.0.0.1:%d", port)
			if p := c.links[[2]int{i, j}]; p != nil {
				at = p.Addr
			}
			n.env = append(n.env, fmt.Sprintf("TICKOVER_ROUTE_%c=nats-route://%s", 'A'+j, at))
		}
		n.env = append(n.env, "TICKOVER_NODE="+n.Name, "TICKOVER_NODE_STORE="+n.Store,
			fmt.Sprintf("TICKOVER_NODE_LISTEN=127.0.0.1:%d", client), fmt.Sprintf("TICKOVER_CLUSTER_LISTEN=127.0.0.1:%d", ports[i]))
		c.Nodes = append(c.Nodes, n)
		t.Cleanup(n.Kill)
	}
	for _, n := range c.Nodes {
		n.Start(t)
	}
	c.WaitReady(t)
	return c
}

// link puts a proxy between each two nodes, one for each way that a connection
// is made, and returns a configuration with which nodes tell neither each other
// nor their clients of a way round it.
func (c *Cluster) link(t testing.TB, conf string, ports [3]int) string {
	t.Helper()
	c.links = map[[2]int]*Proxy{}
	for i := range ports {
		for j, port := range ports {
			if i != j {
				c.links[[2]int{i, j}] = StartProxy(t, fmt.Sprintf("127.0.0.1:%d", port))
			}
		}
	}
	src, err := os.ReadFile(conf)
	if err != nil {
		t.Fatal(err)
	}
	text := strings.Replace(string(src), "\n  routes:", "\n  advertise: \"127.0.0.1:9\"\n  no_advertise: true\n  routes:", 1)
	text = strings.Replace(text, "include accounts.conf", fmt.Sprintf("include %q", filepath.Join("conf", "accounts.conf")), 1)
	if strings.Count(text, "no_advertise:") != 1 {
		t.Fatal("node.conf has no routes where they were")
	}
	accounts, err := os.ReadFile(filepath.Join(filepath.Dir(conf), "accounts.conf"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Join(c.dir, "conf"), 0o700); err != nil {
		t.Fatal(err)
	}
	c.file(t, filepath.Join("conf", "accounts.conf"), accounts)
	return c.file(t, "node.conf", []byte(text))
}

// Between is the network between two nodes, both ways.
func (c *Cluster) Between(a, b *Node) (cut, heal func()) {
	i, j := slices.Index(c.Nodes, a), slices.Index(c.Nodes, b)
	ways := []*Proxy{c.links[[2]int{i, j}], c.links[[2]int{j, i}]}
	return func() { ways[0].Cut(); ways[1].Cut() }, func() { ways[0].Heal(); ways[1].Heal() }
}

// Around is all of the network around a node, to the others and to clients.
func (c *Cluster) Around(n *Node) (cut, heal func()) {
	at := slices.Index(c.Nodes, n)
	ways := []*Proxy{c.doors[at]}
	for pair, p := range c.links {
		if pair[0] == at || pair[1] == at {
			ways = append(ways, p)
		}
	}
	each := func(do func(*Proxy)) func() {
		return func() {
			for _, p := range ways {
				do(p)
			}
		}
	}
	return each((*Proxy).Cut), each((*Proxy).Heal)
}

// Check lets the server judge the configuration without serving.
func (c *Cluster) Check(t testing.TB) string {
	t.Helper()
	cmd := exec.Command(c.Nodes[0].bin, "-t", "-c", c.Nodes[0].conf)
	cmd.Env = c.Nodes[0].env
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("nats-server -t: %v\n%s", err, out)
	}
	return string(out)
}

// Start starts the node, again after Kill.
func (n *Node) Start(t testing.TB) {
	t.Helper()
	n.out = &lines{}
	n.cmd = exec.Command(n.bin, "-c", n.conf)
	n.cmd.Env, n.cmd.Stdout, n.cmd.Stderr = n.env, n.out, n.out
	if err := n.cmd.Start(); err != nil {
		t.Fatal(err)
	}
}

// Kill ends the node without warning, and waits for its end.
func (n *Node) Kill() { kill(n.cmd) }

// Stop and Go on: a node that hangs, as one cut off from the network looks to
// the others.
func (n *Node) Freeze() { _ = n.cmd.Process.Signal(syscall.SIGSTOP) }

// Thaw lets a frozen node go on.
func (n *Node) Thaw() { _ = n.cmd.Process.Signal(syscall.SIGCONT) }

// Output is the end of what the node wrote.
func (n *Node) Output() string { return n.out.String() }

// URLs are the nodes' addresses, as the program takes them.
func (c *Cluster) URLs() string {
	var all []string
	for _, n := range c.Nodes {
		all = append(all, n.URL)
	}
	return strings.Join(all, ",")
}

// Options are what a role needs to connect.
func (c *Cluster) Options(t testing.TB, role string) []nats.Option {
	t.Helper()
	key, err := nats.NkeyOptionFromSeed(c.Keys[role])
	if err != nil {
		t.Fatal(err)
	}
	return []nats.Option{
		key, nats.RootCAs(c.CA), nats.ClientCert(c.Certs["client"], c.Certs["client"]+".key"), nats.CustomInboxPrefix("_INBOX_" + role),
		nats.MaxReconnects(-1), nats.ReconnectWait(50 * time.Millisecond),
	}
}

// Connect connects as a role to any node, past what cuts them off; the
// connection ends with the test.
func (c *Cluster) Connect(t testing.TB, role string, more ...nats.Option) *nats.Conn {
	t.Helper()
	var all []string
	for _, n := range c.Nodes {
		all = append(all, n.Direct)
	}
	return c.connect(t, strings.Join(all, ","), append(c.Options(t, role), more...))
}

// ConnectTo connects to one node, past what cuts it off.
func (c *Cluster) ConnectTo(t testing.TB, n *Node, role string) *nats.Conn {
	t.Helper()
	return c.connect(t, n.Direct, c.Options(t, role))
}

func (c *Cluster) connect(t testing.TB, urls string, opts []nats.Option) *nats.Conn {
	t.Helper()
	nc, err := nats.Connect(urls, opts...)
	if err != nil {
		t.Fatalf("connect to %s: %v\n%s", urls, err, c.Nodes[0].Output())
	}
	t.Cleanup(nc.Close)
	return nc
}

// WaitReady waits until the nodes have a leader for streams.
func (c *Cluster) WaitReady(t testing.TB) {
	t.Helper()
	c.wait(t, append(c.Options(t, "dispatch"), nats.MaxReconnects(0))...)
}

// wait is WaitReady as whoever the options say.
func (c *Cluster) wait(t testing.TB, as ...nats.Option) {
	t.Helper()
	WaitFor(t, "three nodes to find each other", 60*time.Second, func() error {
		nc, err := nats.Connect(c.URLs(), as...)
		if err != nil {
			return fmt.Errorf("%w\n%s", err, c.Nodes[0].Output())
		}
		defer nc.Close()
		js, err := nc.JetStream(nats.MaxWait(2 * time.Second))
		if err != nil {
			return err
		}
		_, err = js.AccountInfo()
		return err
	})
}

// secrets makes an authority, certificates and keys, and returns the
// environment that names them.
func (c *Cluster) secrets(t testing.TB) (env []string) {
	t.Helper()
	ca := newCA(t)
	c.CA = c.file(t, "ca.pem", ca.pem)
	node := c.cert(t, ca, "node")
	c.Certs["client"] = c.cert(t, ca, "client")
	env = append(env, "TICKOVER_CA="+c.CA, "TICKOVER_NODE_CERT="+node, "TICKOVER_NODE_CERT_KEY="+node+".key")
	for _, role := range Roles {
		pair, err := nkeys.CreateUser()
		if err != nil {
			t.Fatal(err)
		}
		seed, _ := pair.Seed()
		public, _ := pair.PublicKey()
		c.Keys[role] = c.file(t, role+".nk", seed)
		env = append(env, "TICKOVER_KEY_"+strings.ToUpper(role)+"="+public)
	}
	return env
}

func (c *Cluster) file(t testing.TB, name string, b []byte) string {
	t.Helper()
	path := filepath.Join(c.dir, name)
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

type authority struct {
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	pem  []byte
}

func newCA(t testing.TB) *authority {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tmpl := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test authority"}, NotBefore: time.Now().Add(-time.Hour),
		NotAfter: time.Now().Add(24 * time.Hour), IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return &authority{cert, key, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})}
}

// cert makes a certificate for this machine and returns its file.
func (c *Cluster) cert(t testing.TB, ca *authority, name string) string {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tmpl := &x509.Certificate{
		SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: name}, NotBefore: time.Now().Add(-time.Hour),
		NotAfter: time.Now().Add(24 * time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, DNSNames: []string{"localhost"},
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
	}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, ca.cert, &key.PublicKey, ca.key)
	if err != nil {
		t.Fatal(err)
	}
	raw, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	path := c.file(t, name+".pem", pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))
	c.file(t, name+".pem.key", pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: raw}))
	return path
}

// StartAccounts starts three nodes without TLS, whose users t0, t1, … (password
// "t") have an account of 16 MiB each: many small logs for a conformance suite.
func StartAccounts(t testing.TB, n int) *Cluster {
	t.Helper()
	return startAccounts(t, n, "max_file: 64MB, max_mem: 16MB")
}

// StartRoomy is StartAccounts with one account, t0, that has room for a load.
func StartRoomy(t testing.TB) *Cluster {
	t.Helper()
	return startAccounts(t, 1, "max_file: 3GB, max_mem: 1GB")
}

func startAccounts(t testing.TB, n int, room string) *Cluster {
	t.Helper()
	c := &Cluster{dir: t.TempDir()}
	bin := NATSServer(t)
	var routes []string
	var clusterPorts []int
	for range 3 {
		clusterPorts = append(clusterPorts, FreePort(t))
		routes = append(routes, fmt.Sprintf("nats-route://127.0.0.1:%d", clusterPorts[len(clusterPorts)-1]))
	}
	var accounts strings.Builder
	for i := range n {
		fmt.Fprintf(&accounts, "  T%d { users: [{user: t%d, password: t}], jetstream { %s } }\n", i, i, room)
	}
	for i := range 3 {
		client := FreePort(t)
		node := &Node{Name: fmt.Sprintf("node-%c", 'a'+i), URL: fmt.Sprintf("nats://127.0.0.1:%d", client), bin: bin, env: os.Environ()}
		node.Direct = node.URL
		node.Store = filepath.Join(c.dir, node.Name)
		node.conf = c.file(t, node.Name+".conf", fmt.Appendf(nil, `
server_name: %s
listen: 127.0.0.1:%d
max_payload: 1MB
cluster { name: t, listen: 127.0.0.1:%d, routes: [%s] }
jetstream { store_dir: %q, sync_interval: always, max_file_store: 4GB }
accounts {
%s}
`, node.Name, client, clusterPorts[i], strings.Join(routes, ", "), node.Store, accounts.String()))
		c.Nodes = append(c.Nodes, node)
		t.Cleanup(node.Kill)
	}
	for _, node := range c.Nodes {
		node.Start(t)
	}
	c.wait(t, nats.UserInfo("t0", "t"))
	return c
}
