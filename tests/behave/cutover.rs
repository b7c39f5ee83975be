//! The check list for switching over: each gate is shut until its fact is there.

use crate::removing::release_all;
use crate::util::*;
use serde_json::Value;

fn shut(answer: &Value) -> Vec<String> {
    let gates = answer["cutover"]["gates"].as_array().expect("gates");
    let shut = gates.iter().filter(|gate| gate["open"] == false);
    shut.map(|gate| gate["code"].as_str().expect("a code").to_string())
        .collect()
}

#[test]
fn the_list_opens_gate_by_gate_and_shuts_again_when_somebody_writes() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    let (code, answer) = scene.json("status --cutover");
    assert_eq!(code, 1);
    has(&answer["cutover"], "gates may_switch may_let_go");
    has(&answer["cutover"]["gates"][0], "code before open text count mend");
    assert_eq!(
        shut(&answer).join(" "),
        "frozen final-scan nothing-outstanding all-verified counts-equal restore-test second-copy alias \
         all-released waited"
    );

    scene.run("copy --all").expect(0);
    release_all(&scene);
    let (_, answer) = scene.json("status --cutover");
    assert_eq!(shut(&answer), ["frozen", "final-scan", "alias"]);
    let (_, answer) = scene.json("status --cutover --confirm frozen --confirm alias");
    assert_eq!(shut(&answer), ["final-scan"]);
    scene.run("scan").expect(0);
    let (_, answer) = scene.json("status --cutover");
    assert_eq!(shut(&answer), ["planned"]);
    scene.run("plan").expect(0);
    let (code, answer) = scene.json("status --cutover");
    assert_eq!((code, shut(&answer)), (0, Vec::new()), "{answer}");
    assert_eq!(answer["cutover"]["may_let_go"], true);

    // Hazard K7: somebody works on at the old share.
    let late = scene.put("2020-harvest/late.txt", b"one more");
    assert!(late.exists());
    scene.run("scan");
    let (code, answer) = scene.json("status --cutover");
    assert_eq!(code, 1);
    let shut = shut(&answer);
    assert!(
        shut.contains(&"frozen".to_string()) && shut.contains(&"counts-equal".to_string()),
        "{shut:?}"
    );
    assert_eq!(answer["cutover"]["gates"][0]["count"], 1);
    assert_eq!(answer["cutover"]["may_switch"], false);
}

#[test]
fn the_list_says_what_opens_each_gate() {
    let scene = Scene::bare();
    scene.small();
    scene.planned();
    let ran = scene.run("status --cutover").expect(1);
    for words in [
        "--confirm frozen",
        "RAID and snapshots are no backup",
        "Before the old box goes",
    ] {
        assert!(ran.text().contains(words), "no {words} in {}", ran.text());
    }
    scene.run("status --confirm frozen").expect(2);
    scene.run("status --cutover --confirm lunch").expect(2);
}
