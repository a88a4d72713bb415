//! A change tried, an order written and a verdict changed, as a person does it.

use thirtyfour::{By, Key};

use crate::{
    driver::{Browser, PASSWORD, browser, people, pictures, served},
    support,
};

// Own rule: the answer follows the slider by keyboard alone, and the address says what is shown.
#[tokio::test]
async fn a_slider_redraws_the_proof_by_the_keyboard() {
    if !browser() {
        return;
    }
    let job = support::full().await;
    let at = served(&job).await;
    let b = Browser::start().await;
    b.size(1280, 900).await;
    b.driver.goto(format!("http://{at}/proof/change")).await.unwrap();
    b.until("return !!document.querySelector('[data-answer] figure output')", "the answer").await;
    assert!(b.says("Everything as planned").await);
    let slider = b.driver.find(By::Css("#off_centre_mm")).await.unwrap();
    for _ in 0..12 {
        slider.send_keys(Key::Right + "").await.unwrap();
    }
    let shown =
        "return document.querySelector('output[for=off_centre_mm]').textContent === '0.6 mm'";
    b.until(shown, "the value of the slider").await;
    b.until("return location.search.includes('off_centre_mm=0.6')", "the address").await;
    b.until("return !document.querySelector('[aria-busy]')", "the last answer").await;
    assert!(!b.says("Everything as planned").await);
    assert!(b.complaints().await.is_empty());
    b.picture(&pictures().join("change-light.png"), 1280).await;
    b.end().await;
}

// Own rule: a decision is made and taken back by keyboard, and what was sent wrong comes back.
#[tokio::test]
async fn a_verdict_is_changed_with_a_reason_and_changed_back() {
    if !browser() {
        return;
    }
    let job = support::full().await;
    people(&job).await;
    let at = served(&job).await;
    let b = Browser::start().await;
    b.size(1280, 900).await;
    b.driver.goto(format!("http://{at}/bars/B002")).await.unwrap();
    b.sign_in("L3", PASSWORD).await;
    b.driver.goto(format!("http://{at}/bars/B002")).await.unwrap();
    let field = async |css: &str| b.driver.find(By::Css(css)).await.unwrap();
    // A crop without a stretch is no decision; what was written stays.
    field("select[name=verdict]").await.send_keys("crop").await.unwrap();
    field("textarea[name=reason]").await.send_keys("seen twice").await.unwrap();
    field("input[name=sure]").await.send_keys(" ").await.unwrap();
    field(".deciding button").await.send_keys(Key::Enter + "").await.unwrap();
    b.until("return !!document.querySelector('[role=alert].wrong')", "the refusal").await;
    assert_eq!(
        b.ask("return document.querySelector('textarea[name=reason]').value").await,
        "seen twice"
    );
    b.picture(&pictures().join("decide-wrong.png"), 1280).await;
    b.size(1280, 900).await;
    field("textarea[name=cut]").await.send_keys("1000 to 1100").await.unwrap();
    field("input[name=sure]").await.send_keys(" ").await.unwrap();
    field(".deciding button").await.send_keys(Key::Enter + "").await.unwrap();
    b.until("return document.body.innerText.includes('Changed by L3')", "the decision").await;
    field("select[name=verdict]").await.send_keys("hold").await.unwrap();
    field("textarea[name=reason]").await.send_keys("not sure after all").await.unwrap();
    field("input[name=sure]").await.send_keys(" ").await.unwrap();
    field(".deciding button").await.send_keys(Key::Enter + "").await.unwrap();
    b.until("return document.body.innerText.includes('not sure after all')", "the next decision")
        .await;
    b.picture(&pictures().join("decided.png"), 1280).await;
    b.end().await;
}

// Own rule: field and text say the same while either is written, and nothing wrong can be sent.
#[tokio::test]
async fn an_order_is_written_in_fields_or_text_and_kept() {
    if !browser() {
        return;
    }
    let job = support::full().await;
    people(&job).await;
    let at = served(&job).await;
    let b = Browser::start().await;
    b.size(1600, 900).await;
    b.driver.goto(format!("http://{at}/order/edit")).await.unwrap();
    b.sign_in("L3", PASSWORD).await;
    let field = async |css: &str| b.driver.find(By::Css(css)).await.unwrap();
    let count = field("[data-key='bars.count']").await;
    count.send_keys(Key::Control + "a").await.unwrap();
    count.send_keys("0").await.unwrap();
    let wrong =
        "return document.querySelector('[aria-invalid=true]')?.dataset.key === 'bars.count'";
    b.until(wrong, "the problem at the field").await;
    assert_eq!(b.ask("return document.querySelector('button.main').disabled").await, true);
    b.picture(&pictures().join("order-wrong.png"), 1600).await;
    b.size(1600, 900).await;
    count.send_keys(Key::Control + "a").await.unwrap();
    count.send_keys("31").await.unwrap();
    b.until("return document.querySelector('#text').value.includes('count = 31')", "the text")
        .await;
    // The other way round.
    b.ask(
        "const t = document.querySelector('#text'); t.focus();
           t.value = t.value.replace('count = 31', 'count = 32');
           t.dispatchEvent(new Event('input', { bubbles: true }));",
    )
    .await;
    b.until(
        "return document.querySelector('[data-key=\"bars.count\"]').value === '32'",
        "the field",
    )
    .await;
    b.until("return !document.querySelector('button.main').disabled", "an order").await;
    assert!(b.complaints().await.is_empty());
    field("button.main").await.send_keys(Key::Enter + "").await.unwrap();
    b.until("return location.pathname === '/order'", "the kept order").await;
    assert_eq!(job.folder.order().unwrap().bars.count, 32);
    b.end().await;
}

// Own rule: a closer look by keyboard keeps to the bar, draws anew and reads out the place in metres.
#[tokio::test]
async fn a_bar_is_looked_at_closer_by_the_keyboard() {
    if !browser() {
        return;
    }
    let job = support::full().await;
    let at = served(&job).await;
    let b = Browser::start().await;
    b.size(1280, 900).await;
    b.driver.goto(format!("http://{at}/bars/B002")).await.unwrap();
    b.until("return !!document.querySelector('.closer')", "the buttons").await;
    let canvas = b.driver.find(By::Css("figure[data-stretch] .canvas")).await.unwrap();
    let marks = "return document.querySelectorAll('figure[data-stretch] .indication').length";
    let before = b.ask(marks).await.as_u64().unwrap();
    for _ in 0..12 {
        canvas.send_keys("+").await.unwrap();
    }
    b.until(
        "return document.querySelector('figure[data-stretch]').dataset.alongLength < 0.3",
        "a short stretch",
    )
    .await;
    canvas.send_keys(Key::Home + "").await.unwrap();
    b.until(
        "return document.querySelector('figure[data-stretch]').dataset.alongStart == 0",
        "the head end",
    )
    .await;
    assert!(b.ask(marks).await.as_u64().unwrap() < before, "the rest of the bar is still drawn");
    b.picture(&pictures().join("bar-closer.png"), 1280).await;
    b.size(1280, 900).await;
    canvas.send_keys("0").await.unwrap();
    b.until(
        "return document.querySelector('figure[data-stretch]').dataset.alongLength == 3",
        "the whole bar",
    )
    .await;
    assert_eq!(b.ask(marks).await.as_u64().unwrap(), before);
    assert!(b.complaints().await.is_empty());
    b.end().await;
}
