use crate::report::page::page;
use crate::report::sample::sample;

#[test]
fn write_it() {
    std::fs::write("/tmp/report-page.html", page(&sample())).unwrap();
}
