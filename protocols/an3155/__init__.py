"""The USART protocol of the boot ROM in AN3155: formats, host, passive observer and simulated chip."""
