//! From shots to echoes, indications and verdicts; levelling and checks
