//! Both ends of real connections, the far one ours to misbehave.

use super::*;
use crate::web::Body;
use crate::world::SystemClock;
use proptest::prelude::*;
use std::io::{Read, Write};
use std::net::Shutdown;
use std::time::Instant;

/// Short times, so that a test of them is short.
const SHORT: Limits = Limits {
    first: 0.4,
    head: 0.8,
    answer: 0.8,
    parting: 0.3,
};

/// The two ends of a connection.
fn pair() -> (TcpStream, TcpStream) {
    let socket = TcpListener::bind("127.0.0.1:0").unwrap();
    let far = TcpStream::connect(socket.local_addr().unwrap()).unwrap();
    (socket.accept().unwrap().0, far)
}

/// What the far end gets for these bytes, and how long it took.
fn told(sent: &[u8], answers: &Answers<'_>) -> (String, Duration) {
    told_and(sent, false, answers)
}

/// The same; with `end` the far end says that nothing more comes, and so need not be waited for.
fn told_and(sent: &[u8], end: bool, answers: &Answers<'_>) -> (String, Duration) {
    let (near, mut far) = pair();
    let begin = Instant::now();
    let text = std::thread::scope(|threads| {
        threads.spawn(|| {
            talk(&near, &SystemClock::default(), &Stop::new(), SHORT, answers);
            near.shutdown(Shutdown::Both)
        });
        // It may stop listening before all is sent.
        let _ = far.write_all(sent);
        if end {
            let _ = far.shutdown(Shutdown::Write);
        }
        let mut text = Vec::new();
        let _ = far.read_to_end(&mut text);
        String::from_utf8(text).unwrap()
    });
    (text, begin.elapsed())
}

const GOOD: &[u8] = b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n";

#[test]
fn one_request_is_answered_and_the_connection_ends() {
    let twice = [GOOD, GOOD].concat();
    let (text, _) = told(&twice, &|_| Answer::of(Body::Words("all is well".into())));
    assert!(text.starts_with("HTTP/1.1 200 OK\r\n") && text.ends_with("\r\n\r\nall is well"));
    assert_eq!(text.matches("HTTP/1.1").count(), 1);
}

#[test]
fn a_defect_is_one_answers_and_the_next_is_whole() {
    let (text, _) = told(GOOD, &|_| panic!("on purpose"));
    assert!(text.starts_with("HTTP/1.1 500 "), "{text}");
    let (text, _) = told(GOOD, &|_| Answer::of(Body::Words("well".into())));
    assert!(text.starts_with("HTTP/1.1 200 "), "{text}");
}

#[test]
fn half_a_request_and_none_have_an_end() {
    let never = |_: &Request| -> Answer { panic!("nothing was asked") };
    let (text, span) = told(b"GET / HTTP/1.1\r\n", &never);
    assert!(text.starts_with("HTTP/1.1 408 "), "{text}");
    assert!(span < Duration::from_secs(20), "{span:?}");
    let (text, _) = told(b"", &never);
    assert_eq!(text, "");
}

#[test]
fn an_answer_nobody_fetches_has_an_end() {
    let (near, mut far) = pair();
    far.write_all(GOOD).unwrap();
    let large: std::sync::Arc<str> = "a".repeat(64 << 20).into();
    let begin = Instant::now();
    talk(&near, &SystemClock::default(), &Stop::new(), SHORT, &|_| {
        Answer::of(Body::Words(large.clone()))
    });
    assert!(begin.elapsed() < Duration::from_secs(20));
}

#[test]
fn too_many_are_told_so_whatever_they_ask() {
    for sent in [GOOD, b"", b"nonsense"] {
        let (near, mut far) = pair();
        far.write_all(sent).unwrap();
        turn_away(&near, &SystemClock::default(), &Stop::new(), SHORT);
        drop(near);
        let mut text = String::new();
        far.read_to_string(&mut text).unwrap();
        assert!(text.starts_with("HTTP/1.1 503 "), "{text}");
    }
}

#[test]
fn being_asked_to_end_ends_it_whoever_is_connected() {
    let listener = Listener::open("127.0.0.1:0".parse().unwrap()).unwrap();
    let (stop, clock) = (Stop::new(), SystemClock::default());
    std::thread::scope(|threads| {
        let serving = threads.spawn(|| {
            serve(&listener, &clock, &stop, &|_| {
                Answer::of(Body::Words("well".into()))
            })
        });
        let mut far = TcpStream::connect(listener.address()).unwrap();
        far.write_all(GOOD).unwrap();
        let mut text = String::new();
        far.read_to_string(&mut text).unwrap();
        assert!(text.ends_with("well"));
        let open: Vec<TcpStream> = (0..40)
            .map(|_| TcpStream::connect(listener.address()).unwrap())
            .collect();
        stop.set();
        assert_eq!(serving.join().unwrap(), Ok(()));
        drop(open);
    });
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    /// Any bytes get an answer or a close, and nothing else.
    #[test]
    fn any_bytes_get_an_answer_or_a_close(mut sent in prop::collection::vec(any::<u8>(), 0..12_000), end in any::<bool>()) {
        if end {
            sent.extend_from_slice(b"\r\n\r\n");
        }
        let (text, _) = told_and(&sent, true, &|_| Answer::of(Body::Words("well".into())));
        prop_assert!(text.is_empty() || text.starts_with("HTTP/1.1 "), "{}", text);
    }
}
