drop table form_token, supply_order_receipt, supply_order_step, supply_order_line, supply_order, slot_pace;
drop function supply_order_steps, supply_order_line_is_drafted, supply_order_receipt_fits;
