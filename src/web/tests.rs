//! Requests of every kind, whole, in pieces and damaged.

use super::*;
use crate::moment::Moment;
use proptest::prelude::*;
use std::net::SocketAddr;

fn asked(text: &str) -> Request {
    match read(text.as_bytes()) {
        Reading::Asked(request) => request,
        other => panic!("{text:?}: {other:?}"),
    }
}

fn refused(text: &str) -> u16 {
    match read(text.as_bytes()) {
        Reading::Refused(refusal) => refusal.code(),
        other => panic!("{text:?}: {other:?}"),
    }
}

fn at(text: &str) -> SocketAddr {
    text.parse().unwrap()
}

/// The example of RFC 9112 section 3.2.1, and the absolute form of section 3.2.2, in which the
/// host of the target counts and not that of the field.
#[test]
fn targets_are_read_as_rfc_9112_has_them() {
    let origin = asked("GET /where?q=now HTTP/1.1\r\nHost: www.example.org\r\n\r\n");
    assert_eq!(
        (origin.path.as_str(), origin.query.as_deref()),
        ("/where", Some("q=now"))
    );
    assert_eq!(origin.host, Some(Host::Name("www.example.org".into())));
    let absolute = asked("GET http://www.example.org/pub/WWW HTTP/1.1\r\nHost: other.example\r\n\r\n");
    assert_eq!(absolute.path, "/pub/WWW");
    assert_eq!(absolute.host, Some(Host::Name("www.example.org".into())));
    assert_eq!(asked("GET http://a HTTP/1.1\r\nHost: a\r\n\r\n").path, "/");
    assert_eq!(asked("GET HTTP://a?x HTTP/1.1\r\nHost: a\r\n\r\n").path, "/");
    assert!(asked("HEAD / HTTP/1.0\r\n\r\n").head_only);
    // An empty line before, and lines that end without a carriage return (section 2.2).
    assert_eq!(asked("\r\nGET / HTTP/1.1\nHost: a\n\n").path, "/");
}

/// What RFC 9112 wants refused: no host, two, a bad one (section 3.2), a blank before the colon
/// (5.1), a folded field (5.2), control characters. What is no HTTP/1 gets 505 (RFC 9110 15.6.6).
#[test]
fn what_breaks_the_grammar_is_refused() {
    for bad in [
        "GET / HTTP/1.1\r\n\r\n",
        "GET / HTTP/1.1\r\nHost: a\r\nHost: a\r\n\r\n",
        "GET / HTTP/1.0\r\nHost: a\r\nHost: b\r\n\r\n",
        "GET / HTTP/1.1\r\nHost:\r\n\r\n",
        "GET / HTTP/1.1\r\nHost: a b\r\n\r\n",
        "GET / HTTP/1.1\r\nHost: me@a\r\n\r\n",
        "GET / HTTP/1.1\r\nHost: a:b\r\n\r\n",
        "GET / HTTP/1.1\r\nHost: [::1\r\n\r\n",
        "GET / HTTP/1.1\r\nHost : a\r\n\r\n",
        "GET / HTTP/1.1\r\nHost: a\r\n folded\r\n\r\n",
        "GET / HTTP/1.1\r\nHost: a\r\nX: \0\r\n\r\n",
        "GET  / HTTP/1.1\r\nHost: a\r\n\r\n",
        "GET * HTTP/1.1\r\nHost: a\r\n\r\n",
        "GET https://a/ HTTP/1.1\r\nHost: a\r\n\r\n",
        "GET http:///x HTTP/1.1\r\nHost: a\r\n\r\n",
        "G\x01T / HTTP/1.1\r\n",
        "\x16\x03\x01\x02\x00\x01\x00\x01",
    ] {
        assert_eq!(refused(bad), 400, "{bad:?}");
    }
    for method in [
        "POST", "PUT", "DELETE", "OPTIONS", "PATCH", "TRACE", "get", "BREW",
    ] {
        assert_eq!(refused(&format!("{method} / HTTP/1.1\r\nHost: a\r\n\r\n")), 405);
    }
    assert_eq!(refused("CONNECT a:443 HTTP/1.1\r\nHost: a\r\n\r\n"), 405);
    assert_eq!(refused("GET / HTTP/2.0\r\nHost: a\r\n\r\n"), 505);
    assert_eq!(refused("PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n"), 505);
}

#[test]
fn a_head_has_an_end() {
    let long = "a".repeat(HEAD_MAX);
    let cut = |text: String| refused(&text[..HEAD_MAX]);
    assert_eq!(cut(format!("GET /{long}")), 414);
    assert_eq!(cut(format!("\r\n\r\nGET /{long}")), 414);
    assert_eq!(cut(format!("GET / HTTP/1.1\r\nHost: a\r\nX: {long}")), 431);
    assert_eq!(cut("\r\n".repeat(HEAD_MAX)), 414);
    let many = "x: y\r\n".repeat(100);
    assert_eq!(refused(&format!("GET / HTTP/1.1\r\nHost: a\r\n{many}\r\n")), 431);
    // One that just fits is read.
    let frame = "GET / HTTP/1.1\r\nHost: a\r\nX: \r\n\r\n".len();
    let fits = format!("GET / HTTP/1.1\r\nHost: a\r\nX: {}\r\n\r\n", &long[frame..]);
    assert_eq!(fits.len(), HEAD_MAX);
    assert_eq!(asked(&fits).path, "/");
}

#[test]
fn only_what_is_served_is_there() {
    let door = Door::new(&at("127.0.0.1:8137"), "pool");
    let get = |path: &str| {
        let request = asked(&format!("GET {path} HTTP/1.1\r\nHost: 127.0.0.1:8137\r\n\r\n"));
        wanted(&request, &door).map_err(|refusal| refusal.code())
    };
    assert_eq!(get("/"), Ok(Wanted::Page { still: false }));
    assert_eq!(get("/?still"), Ok(Wanted::Page { still: true }));
    assert_eq!(get("/?else"), Ok(Wanted::Page { still: false }));
    assert_eq!(get("/status.json"), Ok(Wanted::Status));
    assert_eq!(get("/schedule.ics"), Ok(Wanted::Calendar));
    for other in [
        "//",
        "/index.html",
        "/ledger.db",
        "/../move.toml",
        "/%2e%2e/move.toml",
        "/status.json/",
        "/STATUS.JSON",
        "/favicon.ico",
    ] {
        assert_eq!(get(other), Err(404), "{other}");
    }
}

#[test]
fn a_name_of_a_strangers_own_is_turned_away() {
    let inner = Door::new(&at("127.0.0.1:8137"), "Pool.example.org");
    let sixth = Door::new(&at("[::1]:8137"), "pool");
    let open = Door::new(&at("0.0.0.0:8137"), "Pool.example.org");
    // Host field, and whether the page is answered at loopback and at an open address.
    for (host, inside, outside) in [
        ("127.0.0.1:8137", true, true),
        ("127.0.0.1:9000", true, true),
        ("127.0.0.1", true, true),
        ("127.9.9.9", true, true),
        ("[::1]:8137", true, true),
        ("[::ffff:127.0.0.1]", true, true),
        ("localhost:8137", true, true),
        ("LOCALHOST.", true, true),
        ("0.0.0.0:8137", false, true),
        ("192.0.2.7:8137", false, true),
        ("[2001:db8::7]", false, true),
        ("pool", false, true),
        ("pool.local:8137", false, true),
        ("pool.home.arpa", false, true),
        ("pool.example.org:8137", false, true),
        ("rebound.example", false, false),
        ("rebound.example:8137", false, false),
        ("localhost.rebound.example", false, false),
        ("127.0.0.1.rebound.example", false, false),
        ("pool.local.rebound.example", false, false),
    ] {
        let host_read = Host::parse(host).unwrap_or_else(|| panic!("{host}"));
        assert_eq!(inner.admits(Some(&host_read)), inside, "{host}");
        assert_eq!(sixth.admits(Some(&host_read)), inside, "{host}");
        assert_eq!(open.admits(Some(&host_read)), outside, "{host}");
    }
}

#[test]
fn addresses_are_read_as_they_are_typed() {
    for (typed, meant) in [
        ("127.0.0.1:8137", "127.0.0.1:8137"),
        ("[::1]:0", "[::1]:0"),
        ("0.0.0.0:80", "0.0.0.0:80"),
        ("8137", "127.0.0.1:8137"),
        ("localhost:8137", "127.0.0.1:8137"),
        ("0", "127.0.0.1:0"),
    ] {
        assert_eq!(address(typed).unwrap(), at(meant), "{typed}");
    }
    for bad in [
        "",
        "localhost",
        "localhost:",
        ":8137",
        "pool:8137",
        "127.0.0.1",
        "127.0.0.1:70000",
        "70000",
        "::1:80:",
        "[::1]",
        "-1",
        "http://127.0.0.1:1/",
        "127.0.0.1:8137\n",
    ] {
        let trouble = address(bad).unwrap_err();
        assert_eq!(trouble.code, "bad-address", "{bad:?}");
        assert!(!trouble.text.contains('\n') && trouble.mend.is_some());
    }
    assert!(!is_open(&at("127.3.4.5:1")) && !is_open(&at("[::1]:1")));
    assert!(is_open(&at("0.0.0.0:1")) && is_open(&at("[::]:1")) && is_open(&at("10.0.0.1:1")));
    assert_eq!(url(&at("[::1]:81"), "pool"), "http://[::1]:81/");
    assert_eq!(url(&at("0.0.0.0:81"), "pool"), "http://pool:81/");
    assert_eq!(url(&at("0.0.0.0:81"), ""), "http://0.0.0.0:81/");
}

fn fields(answer: &Answer, now: Moment) -> Vec<(String, String)> {
    let text = head(answer, now);
    let text = text.strip_suffix("\r\n\r\n").expect("an empty line at the end");
    let lines = text.split("\r\n").skip(1);
    lines
        .map(|line| line.split_once(": ").expect("a field"))
        .map(|(name, value)| (name.to_string(), value.to_string()))
        .collect()
}

#[test]
fn an_answer_says_what_may_be_done_with_it() {
    // The example of RFC 9110 section 5.6.7.
    let now = Moment::from_seconds(784_111_777);
    let page = fields(&Answer::of(Body::Page("<p>ä</p>".into())), now);
    for (name, value) in [
        ("Date", "Sun, 06 Nov 1994 08:49:37 GMT"),
        ("Content-Type", "text/html; charset=utf-8"),
        ("Content-Length", "9"),
        ("Connection", "close"),
        ("Cache-Control", "no-store"),
        ("X-Content-Type-Options", "nosniff"),
        ("Referrer-Policy", "no-referrer"),
    ] {
        assert!(
            page.contains(&(name.into(), value.into())),
            "{name}: {value} in {page:?}"
        );
    }
    let policy = &page
        .iter()
        .find(|(n, _)| n == "Content-Security-Policy")
        .unwrap()
        .1;
    assert!(policy.starts_with("default-src 'none'; style-src 'unsafe-inline';"));
    let method = fields(&Refusal::Method.into(), now);
    // RFC 9110 section 15.5.6 wants the methods named.
    assert!(method.contains(&("Allow".into(), "GET, HEAD".into())));
    let late = fields(&Refusal::NotNow("the share\nis away".into()).into(), now);
    assert!(late.iter().any(|(name, _)| name == "Retry-After"));
    // A clock that was never set tells no date.
    assert!(
        fields(&Refusal::Full.into(), Moment::from_seconds(i64::MAX))
            .iter()
            .all(|(n, _)| n != "Date")
    );
}

/// Pieces of requests, whole and damaged, in any order.
fn piece() -> impl Strategy<Value = Vec<u8>> {
    let words = prop::sample::select(vec![
        "GET ",
        "HEAD ",
        "POST ",
        "/",
        "/status.json",
        "?",
        "http://",
        " HTTP/1.1",
        " HTTP/1.0",
        " HTTP/2.0",
        "\r\n",
        "\n",
        "\r",
        "Host: ",
        "host:",
        "127.0.0.1",
        "localhost",
        "[::1]",
        "[",
        "]:80",
        ":",
        ": x",
        "a",
        "\r\n\r\n",
        " ",
        "\t",
        "\0",
        "é",
    ]);
    prop_oneof![
        8 => words.prop_map(|word| word.as_bytes().to_vec()),
        1 => prop::collection::vec(any::<u8>(), 0..40),
        1 => (any::<u8>(), 0..9000usize).prop_map(|(byte, times)| vec![byte; times]),
    ]
}

fn bytes() -> impl Strategy<Value = Vec<u8>> {
    prop::collection::vec(piece(), 0..24).prop_map(|pieces| {
        let mut all = pieces.concat();
        all.truncate(HEAD_MAX);
        all
    })
}

/// What a reader of another shape takes for a whole request to be answered: the first line and the
/// fields by splitting at lines, nothing of httparse.
fn plainly_asked(bytes: &[u8]) -> bool {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return false;
    };
    let Some((head, _)) = text.split_once("\r\n\r\n") else {
        return false;
    };
    let mut lines = head.split("\r\n");
    let first: Vec<&str> = lines.next().unwrap_or_default().split(' ').collect();
    let hosts: Vec<&str> = lines
        .clone()
        .filter_map(|line| line.strip_prefix("Host: "))
        .collect();
    lines.all(|line| line.starts_with("Host: "))
        && matches!(first[..], ["GET" | "HEAD", "/" | "/status.json", "HTTP/1.1"])
        && matches!(hosts[..], ["localhost" | "127.0.0.1" | "a"])
}

proptest! {
    #[test]
    fn any_bytes_are_read_to_an_end(bytes in bytes()) {
        let reading = read(&bytes);
        if bytes.len() == HEAD_MAX {
            prop_assert_ne!(&reading, &Reading::Partly);
        }
        if plainly_asked(&bytes) {
            prop_assert!(matches!(reading, Reading::Asked(_)), "{:?}", reading);
        }
        if let Reading::Asked(request) = reading {
            let door = Door::new(&at("127.0.0.1:1"), "pool");
            if wanted(&request, &door).is_ok() {
                let named = |name: &str| request.host == Some(Host::Name(name.into()));
                let ip = matches!(request.host, Some(Host::Ip(ip)) if ip.to_canonical().is_loopback());
                prop_assert!(request.host.is_none() || named("localhost") || ip);
            }
        }
    }

    /// However a request is cut, the reading of a part says the same as that of the whole, or that
    /// more is to come.
    #[test]
    fn a_part_is_never_read_otherwise_than_the_whole(bytes in bytes(), cut in any::<prop::sample::Index>()) {
        let part = read(&bytes[..cut.index(bytes.len() + 1)]);
        if part != Reading::Partly {
            prop_assert_eq!(part, read(&bytes));
        }
    }

    #[test]
    fn the_head_of_an_answer_is_lines_of_fields(why in any::<String>(), seconds in any::<i64>()) {
        let answer = Answer::from(Refusal::NotNow(why));
        for (name, value) in fields(&answer, Moment::from_seconds(seconds)) {
            prop_assert!(name.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-'));
            prop_assert!(value.bytes().all(|b| (b' '..=b'~').contains(&b)), "{}", value);
        }
    }

    #[test]
    fn any_text_is_an_address_or_told_why_not(typed in any::<String>()) {
        if let Err(trouble) = address(&typed) {
            prop_assert_eq!(trouble.code, "bad-address");
        }
    }
}
